"""What every room builds on: poses, units, robust estimates, text, files, refusals."""
