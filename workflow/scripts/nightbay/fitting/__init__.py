"""Planes, lines, circles, cylinders and spheres through measured points, by least squares of orthogonal distances."""
