"""Reduces a triangle mesh by edge collapse, up to a mean distance from the original or down to a number of faces.

Own code, because libraries failed on surfaces of scans (1.4 million faces with 8 000 boundary edges, reduced to
60 000): fast-simplification did not reach that number and ended 3 mm off, with edges of three faces; pymeshlab reached
it, but took over a minute and also left an edge of three faces. Neither keeps the mark of filled faces.
"""

from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple

import numpy as np

from nightbay.meshes import surface, topology
from nightbay.meshes.surface import Surface
from nightbay.reduce import collapse, quadric
from nightbay.reduce.quadric import Mesh

RUN = 4_000_000  # faces that are swept together at first: 100 bytes each
ROOM = 2.0  # lists of faces while a mesh is swept, by those at the start
EVERY = 100  # one face in so many shows what edges cost: 40 000 of a run, so their median is known to 0.25 % of rank
LEAST_MM2 = 1e-12  # least limit: on a surface whose edges cost nothing, any limit above zero collapses all of them


class Run(NamedTuple):
    """A run after its sweep: its ``mesh``, and the ``number`` of each of its vertices in the whole surface, (n,)."""

    mesh: Mesh
    number: np.ndarray


class Reduction:
    """A mesh that is being reduced. Each face keeps its ``filled`` mark. Seams between marks and boundaries keep their
    position within the distance reached.

    Memory: about 100 bytes a face of the original while it is swept. The outcome depends on the order of faces and on
    nothing else.
    """

    def __init__(self, mesh: Mesh, centre_mm: np.ndarray, limit_mm2: float = 0.0) -> None:
        """``mesh``: its vertices are relative to ``centre_mm`` (3,); its arrays are changed in place.
        ``limit_mm2``: limit of its last sweep."""
        self.mesh = mesh
        self.centre_mm = centre_mm
        self.limit_mm2 = limit_mm2
        self.number = np.arange(len(mesh.vertices), dtype=np.int32)  # of each vertex at the start

    @property
    def face_count(self) -> int:
        """How many faces are left."""
        return len(self.mesh.faces)

    @property
    def surface(self) -> Surface:
        """The mesh as it is now."""
        filled = {"filled": self.mesh.label.copy()}
        return Surface(self.mesh.vertices + self.centre_mm, self.mesh.faces.copy(), face=filled)

    def sweep(self, limit_mm2: float, faces: int = 0) -> int:
        """Collapse edges that cost no more than the limit; stops at ``faces`` faces. Returns the number of faces
        removed.

        Where the lists of faces run out of room, the rest of the mesh is swept with fresh lists. Otherwise the first
        part of the mesh alone would use up the allowed deviation.
        """
        self.limit_mm2, before, gone, full = limit_mm2, self.face_count, 1, True
        while full and gone and self.face_count > faces:
            gone, full = self._sweep_once(limit_mm2, self.face_count - faces)
            if gone:
                self._compact()
        return before - self.face_count

    def _sweep_once(self, limit_mm2: float, most: int) -> tuple[int, bool]:
        """Number of faces removed, and whether room ran out. It returns before copies are made, which frees its
        lists."""
        around = quadric.face_lists(self.mesh.faces, len(self.mesh.vertices), ROOM)
        return collapse.sweep(self.mesh, around, limit_mm2, most)

    def _compact(self) -> None:
        """Drop removed faces and vertices; the old faces are freed before the vertices are copied."""
        left, used = collapse.compact(self.mesh, self.number)
        self.mesh = self.mesh._replace(faces=self.mesh.faces[:left].copy(), label=self.mesh.label[:left].copy())
        of_vertex = {name: getattr(self.mesh, name)[:used].copy() for name in ("vertices", "quadric", "kind")}
        self.mesh = self.mesh._replace(**of_vertex)
        self.number = self.number[:used].copy()

    def copy(self) -> "Reduction":
        """A copy of the state, to return to."""
        other = Reduction(Mesh(*(values.copy() for values in self.mesh)), self.centre_mm, self.limit_mm2)
        other.number = self.number.copy()
        return other


def begin(mesh: Surface, limit_mm2: float, faces: int = 0, threads: int = 1) -> Reduction:
    """A :class:`Reduction` of a surface after a first sweep: most edges that cost no more than ``limit_mm2`` are
    collapsed, down to about ``faces`` faces.

    The face columns of ``mesh`` may lie on disk. :data:`RUN` faces are in memory at a time, for each of the
    ``threads``; how many they are does not change the outcome. Vertices that a run does not enclose stay where they
    are: those on boundaries and seams, and those that it shares with another. They sum the quadrics of all their runs.
    """
    centre = centre_mm(mesh)

    def swept(rows: slice) -> Run:
        run, number = _begin_run(mesh, centre, rows)
        run.sweep(limit_mm2, faces * (rows.stop - rows.start) // len(mesh.faces))
        return Run(run.mesh, number[run.number])

    with ThreadPoolExecutor(threads) as pool:
        return Reduction(_joined(list(pool.map(swept, _runs(len(mesh.faces))))), centre, limit_mm2)


def centre_mm(mesh: Surface) -> np.ndarray:
    """Middle of a mesh's vertices, (3,) float32: whole numbers, so subtracting and adding
    it again hardly rounds."""
    total = np.zeros(3)
    for rows in surface.spans(len(mesh.vertices_mm)):
        total += mesh.vertices_mm[rows].sum(axis=0, dtype=np.float64)
    return np.round(total / max(len(mesh.vertices_mm), 1)).astype(np.float32)


def median_cost_mm2(mesh: Surface) -> float:
    """The cost, mm2, that half of a mesh's edges do not exceed, from the run in its middle."""
    runs = _runs(len(mesh.faces))
    run, _ = _begin_run(mesh, centre_mm(mesh), runs[len(runs) // 2])
    costs = collapse.costs(run.mesh, EVERY)
    return max(float(np.median(costs)), LEAST_MM2) if len(costs) else LEAST_MM2


def _runs(count: int) -> list[slice]:
    """Slices of equal length that cover ``count`` faces; one empty slice where there are none."""
    parts = max(-(-count // RUN), 1)
    return [slice(count * part // parts, count * (part + 1) // parts) for part in range(parts)]


def _begin_run(mesh: Surface, centre: np.ndarray, rows: slice) -> tuple[Reduction, np.ndarray]:
    """The faces ``rows`` of a mesh as a reduction of their own, and the number in the mesh of each of its vertices,
    (n,)."""
    faces = mesh.faces[rows]
    faces = faces if isinstance(mesh.faces, surface.Column) else faces.copy()
    number = topology.compact(faces)
    label = mesh.face["filled"][rows].copy() if "filled" in mesh.face else np.zeros(len(faces), np.uint8)
    return Reduction(quadric.plane_mesh(mesh.vertices_mm[number] - centre, faces, label), centre), number


def _joined(runs: list[Run]) -> Mesh:
    """One mesh of all runs, with its lines. Each run is removed from the list when it is joined."""
    row = _rows_of_used([run.number for run in runs])
    vertices = np.empty((int(row.max(initial=-1)) + 1, 3), np.float32)
    quadrics = np.zeros((len(vertices), quadric.SIZE), np.float32)
    faces, labels = [], []
    while runs:
        run = runs.pop(0)
        rows = row[run.number]
        vertices[rows] = run.mesh.vertices
        quadrics[rows] += run.mesh.quadric  # within a run each vertex occurs once
        surface.renumber(run.mesh.faces, rows)
        faces.append(run.mesh.faces)
        labels.append(run.mesh.label)
    kind = np.zeros(len(vertices), np.uint8)
    whole = Mesh(vertices, quadrics, kind, np.concatenate(faces), np.concatenate(labels))
    quadric.add_lines(whole)
    return whole


def _rows_of_used(numbers: list[np.ndarray]) -> np.ndarray:
    """For every vertex of the surface up to the last in use: its row among those that any run uses, -1 for others."""
    row = np.full(1 + max((int(number.max(initial=-1)) for number in numbers), default=-1), -1, np.int32)
    for number in numbers:
        row[number] = 0
    used = np.flatnonzero(row == 0)
    row[used] = np.arange(len(used), dtype=np.int32)
    return row
