"""Stage frame: a part in the vehicle's own axes."""
