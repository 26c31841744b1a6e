"""Stage join: the interior of a job in the frame of its exterior."""
