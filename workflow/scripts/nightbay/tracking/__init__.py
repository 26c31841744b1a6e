"""Whether a capture run kept its track: stretches of time compared where they show the same surface."""
