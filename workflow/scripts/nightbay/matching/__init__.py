"""Target lists: read, matched to each other without labels, and explained where they do not fit."""
