"""Triangle surfaces: their files, their topology, what the faces say of a vertex."""
