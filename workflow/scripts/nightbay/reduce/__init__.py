"""Stage reduce: levels of detail."""
