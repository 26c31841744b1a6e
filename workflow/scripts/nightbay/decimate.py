"""Reduces a triangle mesh by edge collapse, up to a mean distance from the original or down to a number of faces.

Own code, for what libraries were found to do with surfaces of scans (1.4 million faces with 8 000 boundary edges, to
60 000): fast-simplification could not get there and ended 3 mm off, with edges of three faces; pymeshlab got there, but
in over a minute, also with an edge of three faces, and neither knows which faces are filled.
"""

import numpy as np

from nightbay import collapse, quadric, surface

ROOM = 2.0  # lists of faces while a mesh is swept, by those at the start
EVERY = 100  # one edge in so many tells what edges cost


class Reduction:
    """A mesh on its way down. Each face keeps its ``filled`` mark; seams between marks stay where they are, as the
    boundary does, within the distance reached.

    Memory: about 100 bytes a face of the original while it is swept. The outcome depends on the order of faces and on
    nothing else.
    """

    def __init__(self, mesh):
        """``mesh``: a :class:`~nightbay.surface.Surface`, whose faces and their mark ``filled`` are taken over: they
        change. No other attribute is carried along."""
        # a whole number, so that taking it off and adding it again rounds next to nothing
        self.centre = np.round(mesh.vertices_mm.mean(axis=0, dtype=np.float64)).astype(np.float32)
        self.vertices = mesh.vertices_mm - self.centre
        self.faces = mesh.faces
        self.label = mesh.face.get("filled", np.zeros(len(mesh.faces), np.uint8))
        self.limit_mm2 = 0.0
        start, of = collapse.incidence(self.faces, len(self.vertices))
        self.quadric, self.kind = quadric.first(self.vertices, self.faces, self.label, start, of)

    @property
    def surface(self):
        """The mesh as it is now."""
        return surface.Surface(self.vertices + self.centre, self.faces.copy(), face={"filled": self.label.copy()})

    def cheap_mm2(self):
        """The limit, mm2, that half of the edges keep to."""
        costs = collapse.costs(self.vertices, self.quadric, self.kind, self.faces[::EVERY])
        return max(float(np.median(costs)), 1e-12) if len(costs) else 1e-12

    def sweep(self, limit_mm2, faces=0):
        """Collapse edges that cost no more than the limit; stops at ``faces`` faces. Returns how many faces went.

        Where the lists of faces have run out of room, the rest of the mesh is swept too, with fresh ones: a mesh of
        which only the first part is reduced would reach its deviation by that part alone.
        """
        self.limit_mm2, before, gone, cut = limit_mm2, len(self.faces), 1, True
        while cut and gone and len(self.faces) > faces:
            gone, cut = self._sweep_once(limit_mm2, len(self.faces) - faces)
            if gone:
                self._compact()
        return before - len(self.faces)

    def _sweep_once(self, limit_mm2, most):
        """How many faces went and whether room ran out; a function of its own, so that the lists go before copies."""
        start, of = collapse.incidence(self.faces, len(self.vertices), ROOM)
        arrays = self.vertices, self.quadric, self.kind, self.faces, self.label
        return collapse.sweep(*arrays, start, of, limit_mm2, most)

    def _compact(self):
        """Drop what is gone."""
        left, used = collapse.compact(self.vertices, self.quadric, self.kind, self.faces, self.label)
        self.faces, self.label = self.faces[:left].copy(), self.label[:left].copy()
        self.vertices, self.quadric, self.kind = (
            values[:used].copy() for values in (self.vertices, self.quadric, self.kind)
        )

    def copy(self):
        """The same state, to come back to."""
        other = object.__new__(Reduction)
        other.__dict__.update(
            {name: value.copy() if isinstance(value, np.ndarray) else value for name, value in self.__dict__.items()}
        )
        return other
