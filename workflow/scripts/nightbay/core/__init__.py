"""What every package builds on: poses, units, robust estimates, text, files, refusals."""
