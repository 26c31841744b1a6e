"""Point clouds on disk, by tiles, and segments seen in a common frame."""
