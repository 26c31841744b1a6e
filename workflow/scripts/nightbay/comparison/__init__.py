"""Two surfaces against each other: signed deviation, robust registration, and areas that differ significantly."""
