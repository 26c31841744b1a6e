"""Stage refine: poses improved by the surfaces in the overlaps."""
