"""Stage network: one adjustment of all target lists of a part."""
