"""How sure measured coordinates are: by cause, by point, and of the difference of two points."""
