"""Stage deliver: files in open formats."""
