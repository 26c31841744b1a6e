"""Stage clean: noise and what is not the vehicle leave a segment."""
