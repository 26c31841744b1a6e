"""Reduces a triangle mesh by edge collapse, up to a mean distance from the original or down to a number of faces.

Own code, for what libraries were found to do with surfaces of scans (1.4 million faces with 8 000 boundary edges, to
60 000): fast-simplification could not get there and ended 3 mm off, with edges of three faces; pymeshlab got there, but
in over a minute, also with an edge of three faces, and neither knows which faces are filled.
"""

from concurrent.futures import ThreadPoolExecutor

import numpy as np

from nightbay.meshes import surface, topology
from nightbay.reduce import collapse, quadric

RUN = 4_000_000  # faces that are swept together at first: 100 bytes each
ROOM = 2.0  # lists of faces while a mesh is swept, by those at the start
EVERY = 100  # one edge in so many tells what edges cost


def begin(mesh, limit_mm2, faces=0, threads=1):
    """A :class:`Reduction` of a :class:`Surface` whose edges that cost no more than the limit are
    collapsed for the most part, about down to ``faces`` faces.

    Of ``mesh`` the columns of the faces may lie on disk. :data:`RUN` faces are in memory at a time, for each of the
    ``threads``; how many they are does not change the outcome. Vertices that a run does not enclose stay where they
    are: those on boundaries and seams, and those that it shares with another. They collect what each run knows of them.
    """
    centre = centre_mm(mesh)

    def swept(rows):
        run, number = _run(mesh, centre, rows)
        run.sweep(limit_mm2, faces * (rows.stop - rows.start) // len(mesh.faces))
        return run.faces, run.label, run.vertices, run.quadric, number[run.number]

    with ThreadPoolExecutor(threads) as pool:
        return _joined(list(pool.map(swept, _runs(len(mesh.faces)))), centre, limit_mm2)


def centre_mm(mesh):
    """Middle of a mesh's vertices, (3,) float32: a whole number, so that taking it off and adding it again rounds next
    to nothing."""
    total = sum(mesh.vertices_mm[rows].sum(axis=0, dtype=np.float64) for rows in surface.spans(len(mesh.vertices_mm)))
    return np.round(total / max(len(mesh.vertices_mm), 1)).astype(np.float32)


def cheap_mm2(mesh):
    """The limit, mm2, that half of a mesh's edges keep to, from the run in its middle."""
    runs = _runs(len(mesh.faces))
    run, _ = _run(mesh, centre_mm(mesh), runs[len(runs) // 2])
    costs = collapse.costs(run.vertices, run.quadric, run.kind, run.faces[::EVERY])
    return max(float(np.median(costs)), 1e-12) if len(costs) else 1e-12


def _runs(count):
    """Slices of like length that cover so many faces; one, and that empty, where there are none."""
    parts = max(-(-count // RUN), 1)
    return [slice(count * part // parts, count * (part + 1) // parts) for part in range(parts)]


def _run(mesh, centre, rows):
    """Some of a mesh's faces as a reduction of their own, and which vertex of the mesh each of theirs is, (n,)."""
    faces = mesh.faces[rows]
    faces = faces if isinstance(mesh.faces, surface.Column) else faces.copy()
    number = topology.compact(faces)
    label = mesh.face["filled"][rows].copy() if "filled" in mesh.face else np.zeros(len(faces), np.uint8)
    vertices = mesh.vertices_mm[number] - centre
    return Reduction(vertices, faces, label, centre, *quadric.of_run(vertices, faces, label)), number


def _joined(runs, centre, limit_mm2):
    """One reduction of what is left of the runs: of each its faces, labels, vertices, quadrics, vertices' numbers."""
    count = 1 + max((int(number.max(initial=-1)) for *_, number in runs), default=-1)
    row = np.full(count, -1, np.int32)
    for *_, number in runs:
        row[number] = 0
    used = np.flatnonzero(row == 0)
    row[used] = np.arange(len(used), dtype=np.int32)
    del used
    vertices = np.empty((int(row.max(initial=-1)) + 1, 3), np.float32)
    quadrics = np.zeros((len(vertices), quadric.SIZE), np.float32)
    faces, labels = [], []
    for at in range(len(runs)):
        own, label, place, known, number = runs[at]
        runs[at] = None
        rows = row[number]
        vertices[rows] = place
        quadrics[rows] += known  # within a run each vertex occurs once
        surface.renumber(own, rows)
        faces.append(own)
        labels.append(label)
    faces, labels = np.concatenate(faces), np.concatenate(labels)
    start, of = topology.incidence(faces, len(vertices))
    kind = quadric.add_lines(vertices, faces, labels, start, of, quadrics)
    whole = Reduction(vertices, faces, labels, centre, quadrics, kind)
    whole.limit_mm2 = limit_mm2
    return whole


class Reduction:
    """A mesh on its way down. Each face keeps its ``filled`` mark; seams between marks stay where they are, as the
    boundary does, within the distance reached.

    Memory: about 100 bytes a face of the original while it is swept. The outcome depends on the order of faces and on
    nothing else.
    """

    def __init__(self, vertices, faces, label, centre, quadric, kind):
        """``vertices`` (n, 3) float32 about ``centre``, ``faces`` (m, 3) int32 and their ``label``, (m,) uint8, with
        what :mod:`nightbay.reduce.quadric` tells of the vertices; all are taken over: they change."""
        self.vertices, self.faces, self.label, self.centre = vertices, faces, label, centre
        self.quadric, self.kind = quadric, kind
        self.number = np.arange(len(vertices), dtype=np.int32)  # of each vertex at the start
        self.limit_mm2 = 0.0

    @property
    def surface(self):
        """The mesh as it is now."""
        return surface.Surface(self.vertices + self.centre, self.faces.copy(), face={"filled": self.label.copy()})

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
        start, of = topology.incidence(self.faces, len(self.vertices), ROOM)
        arrays = self.vertices, self.quadric, self.kind, self.faces, self.label
        return collapse.sweep(*arrays, start, of, limit_mm2, most)

    def _compact(self):
        """Drop what is gone."""
        left, used = collapse.compact(self.vertices, self.quadric, self.kind, self.number, self.faces, self.label)
        self.faces, self.label = self.faces[:left].copy(), self.label[:left].copy()
        self.vertices, self.quadric, self.kind, self.number = (
            values[:used].copy() for values in (self.vertices, self.quadric, self.kind, self.number)
        )

    def copy(self):
        """The same state, to come back to."""
        other = object.__new__(Reduction)
        other.__dict__.update(
            {name: value.copy() if isinstance(value, np.ndarray) else value for name, value in self.__dict__.items()}
        )
        return other
