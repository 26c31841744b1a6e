"""Reduces a triangle mesh by edge collapse, up to a mean distance from the original or down to a number of faces.

Own code, for what libraries were found to do with surfaces of scans (1.4 million faces with 8 000 boundary edges, to
60 000): fast-simplification could not get there and ended 3 mm off, with edges of three faces; pymeshlab got there, but
in over a minute, also with an edge of three faces, and neither knows which faces are filled.
"""

import numpy as np

from nightbay import collapse, surface

STRETCH = 1e-3  # an edge of length l costs (l / 1000)**2: flat areas get even faces, and none longer than that allows
GROWTH = 2.0  # of the limit, mm2, from one round to the next: 1.4 in distance, so that cheap edges always go first
SWEEPS = 3  # at one limit at most, while they still take off a twentieth
SHARE = 0.05


class Reduction:
    """A mesh on its way down. Each face keeps its ``filled`` mark; seams between marks stay where they are, as the
    boundary does, within the distance reached.

    Memory: about 90 bytes a face of the original. The outcome depends on the order of faces and on nothing else.
    """

    def __init__(self, mesh):
        """``mesh``: a :class:`~nightbay.surface.Surface`; only its faces' mark ``filled`` is carried along."""
        self.centre = mesh.vertices_mm.mean(axis=0, dtype=np.float64)
        self.vertices = np.ascontiguousarray(mesh.vertices_mm, np.float64) - self.centre
        self.faces = np.ascontiguousarray(mesh.faces, np.int32).copy()
        self.label = mesh.face.get("filled", np.zeros(len(mesh.faces), np.uint8)).copy()
        start, of = collapse.incidence(self.faces, len(self.vertices))
        self.quadric, self.weight = collapse.quadrics(self.vertices, self.faces, self.label, start, of)
        self.limit_mm2 = self._cheap()

    @property
    def surface(self):
        """The mesh as it is now."""
        vertices = (self.vertices + self.centre).astype(np.float32)
        return surface.Surface(vertices, self.faces.copy(), face={"filled": self.label.copy()})

    def _cheap(self):
        """A limit that a tenth of the edges keeps to."""
        some = self.faces[:: max(1, len(self.faces) // 50_000)]
        kind = np.zeros(len(self.vertices), np.uint8)
        place, both = np.empty(3), np.empty(10)
        costs = [
            collapse.cost(self.vertices, self.quadric, self.weight, kind, False, a, b, STRETCH, place, both)
            for a, b in some[:, :2].tolist()
        ]
        return max(float(np.quantile(costs, 0.1)), 1e-12) if costs else 1e-12

    def round(self, faces=0):
        """Collapse at the present limit and raise it; stops at ``faces`` faces. Returns how many faces went."""
        before = len(self.faces)
        for _ in range(SWEEPS):
            here = len(self.faces)
            gone = self._sweep(here - faces)
            if gone < SHARE * here or len(self.faces) <= faces:
                break
        self.limit_mm2 *= GROWTH
        return before - len(self.faces)

    def _sweep(self, most):
        start, of = collapse.incidence(self.faces, len(self.vertices))
        kind = collapse.classes(self.faces, self.label, start, of)
        gone = collapse.sweep(
            self.vertices,
            self.quadric,
            self.weight,
            self.faces,
            self.label,
            start,
            of,
            kind,
            self.limit_mm2,
            STRETCH,
            most,
        )
        if gone:
            self._compact()
        return gone

    def _compact(self):
        """Drop what is gone."""
        alive = self.faces[:, 0] >= 0
        self.faces, self.label = self.faces[alive], self.label[alive]
        used = np.zeros(len(self.vertices), bool)
        used[self.faces.ravel()] = True
        number = np.cumsum(used, dtype=np.int32) - 1
        self.faces = number[self.faces]
        self.vertices, self.quadric, self.weight = self.vertices[used], self.quadric[used], self.weight[used]

    def copy(self):
        """The same state, to come back to."""
        other = object.__new__(Reduction)
        other.__dict__.update(
            {name: value.copy() if isinstance(value, np.ndarray) else value for name, value in self.__dict__.items()}
        )
        return other
