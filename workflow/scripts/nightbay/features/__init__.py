"""Features that a job sheet names, and distances and angles between them, each with its uncertainty and verdict."""
