"""Normals of points: their directions, and which side of them is outside."""
