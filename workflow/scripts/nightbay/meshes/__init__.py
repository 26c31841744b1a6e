"""Triangle surfaces: their files, their topology, areas and normals at their vertices."""
