"""Stage report and the day board: pages and pictures."""
