"""Stage measure: dimensions, sections, left against right."""
