"""Stage fuse: one surface from all segments."""
