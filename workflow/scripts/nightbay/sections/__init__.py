"""Plane sections of a surface: planes, outlines, their reduction, splines through them, and their files."""
