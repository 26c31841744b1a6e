"""The mesh of an earlier scan or of a design, read, checked and placed on what was measured."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import permutations, product
from pathlib import Path
from typing import Any

import numpy as np

from nightbay.comparison import surface_fit
from nightbay.comparison.surface_fit import Fit, Sheet
from nightbay.core import rigid, unchanged
from nightbay.core.errors import NotFound
from nightbay.core.units import MM
from nightbay.meshes import sampling
from nightbay.meshes.surface import Surface, area_mm2
from nightbay.readers import mesh_file

SAMPLES = 200_000  # points of the reference by which it is registered
COARSE = 4000  # points by which other coordinate systems are tried
FAR_MM = (1000.0, 300.0, 100.0)  # distances within which partners count then
REACHES_MM = (50.0, 15.0, 5.0)  # the same for a reference that stands nearly right
LEAST_SHARE = 0.5  # of the measured surface that lies on the reference: less is another vehicle
ALIKE_SIZE = 0.03  # how far the ratio of two sizes may be from that of two units
UNLIKE_SIZE = 0.3  # a reference that is smaller or larger than this, against one, is another vehicle or a part of it
MIRRORED_SHARE = 0.1  # by how much more of the surface a mirrored reference has to fit
# Ratios of sizes that a wrong unit gives, and what was meant: mm, cm, m and inch against each other.
WRONG_UNITS = {MM[meant] / MM[declared]: (declared, meant) for declared, meant in permutations(MM, 2)}


@dataclass(frozen=True)
class Reference:
    """A reference that stands on what was measured.

    ``surface``: in its own frame about a near origin; ``T_reference_vehicle`` (4, 4) carries the measured surface onto
    it; ``fit``: how well, None where it was taken as placed; ``elsewhere``: it stood in another coordinate system.
    ``turned_over``: its faces were inside out.
    """

    surface: Surface
    T_reference_vehicle: np.ndarray
    fit: Fit | None
    elsewhere: bool
    turned_over: bool


def read(entry: Mapping[str, Any]) -> tuple[np.ndarray, np.ndarray]:
    """Vertices (n, 3) float64 mm and triangles (m, 3) of the file that the job sheet names.

    ``entry``: its ``file``, ``units`` and hash. Raises :class:`nightbay.core.errors.Rejected` for a file that can't be
    read whole.
    """
    with unchanged.while_read(Path(entry["file"]), entry):
        xyz, faces = mesh_file.read(Path(entry["file"]), entry["file"])
    return xyz * MM[entry["units"]], faces


def place(
    xyz_mm: np.ndarray, faces: np.ndarray, entry: Mapping[str, Any], measured: Sheet, regions: Sheet, threads: int = 1
) -> Reference | NotFound:
    """The :class:`Reference` of a mesh; :class:`NotFound` with a clause on why it does not fit.

    ``entry`` of the job sheet; ``measured``: points of the whole measured surface; ``regions``: those by which it is
    registered, the same unless the job sheet names regions.
    """
    origin_mm = np.round(xyz_mm.mean(axis=0))
    shape = Surface((xyz_mm - origin_mm).astype(np.float32), np.ascontiguousarray(faces, np.int32))
    start = rigid.pose(None, -origin_mm)
    target = _target(shape)
    wrong = _wrong_size(target, measured, entry)
    if wrong is not None:
        return wrong
    turned_over = _share(measured, target, start, -1.0) > _share(measured, target, start, 1.0)
    if turned_over:
        shape = Surface(shape.vertices_mm, np.ascontiguousarray(shape.faces[:, ::-1]))
        target = Sheet(target.points_mm, -target.normals, target.spacing_mm)
    if entry["align"] == "as_placed":
        share = _share(measured, target, start, 1.0)
        if share < LEAST_SHARE:
            return _another(share, "where it is placed")
        return Reference(shape, start, None, False, turned_over)
    fit = surface_fit.fit(regions, target, REACHES_MM, start, threads=threads)
    elsewhere = fit is None or fit.share < LEAST_SHARE
    if elsewhere:
        found = _search(measured, target, threads)
        fit = None if found is None else surface_fit.fit(regions, target, REACHES_MM, found, threads=threads)
    if fit is None:
        return NotFound("no pose was found in which it lies on the measured surface")
    if fit.share < LEAST_SHARE:
        return _another(fit.share, "in the best pose that was found")
    # no share exceeds one: what fits nearly everywhere need not be tried as a mirror image
    mirrored = _mirrored(regions, target, fit, threads) if fit.share + MIRRORED_SHARE < 1.0 else 0.0
    if mirrored > fit.share + MIRRORED_SHARE:
        return NotFound(
            f"its mirror image fits {100 * mirrored:.0f} % of the measured surface, it itself {100 * fit.share:.0f} %: "
            "it is mirrored"
        )
    return Reference(shape, fit.T_target_points, fit, elsewhere, turned_over)


def _another(share: float, where: str) -> NotFound:
    return NotFound(
        f"only {100 * share:.0f} % of the measured surface lies on it {where}, at least {100 * LEAST_SHARE:.0f} % are "
        "needed: it is another vehicle, or much of it changed"
    )


def _target(shape: Surface) -> Sheet:
    points, normals = sampling.oriented(shape, SAMPLES)
    return Sheet(points, normals, float(np.sqrt(area_mm2(shape) / SAMPLES)))


def _wrong_size(target: Sheet, measured: Sheet, entry: Mapping[str, Any]) -> NotFound | None:
    """Why the size of a mesh can't be that of what was measured, a clause; None if it can. Its axes may differ."""
    own, other = (_size_mm(sheet.points_mm) for sheet in (measured, target))
    ratio = own / max(other, 1e-9)
    for times, (declared, meant) in WRONG_UNITS.items():
        if declared == entry["units"] and abs(ratio / times - 1.0) < ALIKE_SIZE:
            return NotFound(
                f"it is {other:.0f} mm long in {declared} and the vehicle {own:.0f} mm: it was exported in {meant}"
            )
    if abs(np.log(max(ratio, 1e-9))) > -np.log(UNLIKE_SIZE):
        return NotFound(f"it is {other:.0f} mm long and the vehicle {own:.0f} mm: it is not of the same vehicle")
    return None


def _size_mm(points_mm: np.ndarray) -> float:
    """Root mean square distance of points from their middle along the main axis, as that of an even bar's length."""
    off = points_mm - points_mm.mean(axis=0)
    return float(np.sqrt(12.0 * np.linalg.eigvalsh(off.T @ off / len(off))[-1]))


def _thinned(sheet: Sheet, count: int) -> Sheet:
    step = max(1, len(sheet.points_mm) // count)
    return Sheet(sheet.points_mm[::step], sheet.normals[::step], sheet.spacing_mm * float(np.sqrt(step)))


def _share(measured: Sheet, target: Sheet, T: np.ndarray, side: float) -> float:
    """Share of the measured points within the first reach of the target, whose normals are turned by ``side``."""
    few = _thinned(measured, COARSE)
    pairing = surface_fit.Pairing(few, Sheet(target.points_mm, side * target.normals, target.spacing_mm))
    return len(pairing.pairs(T, REACHES_MM[0])[0]) / max(len(few.points_mm), 1)


def _search(measured: Sheet, target: Sheet, threads: int) -> np.ndarray | None:
    """The pose of the measured surface on a reference in another coordinate system, roughly; None where none fits.

    Its axes may be any of the vehicle's, with either sign, from any origin: 24 turns with the middles upon each other.
    """
    few, coarse = _thinned(measured, COARSE), _thinned(target, COARSE)
    middles = [(points.min(axis=0) + points.max(axis=0)) / 2 for points in (few.points_mm, coarse.points_mm)]
    best: tuple[float, np.ndarray] | None = None
    for R in _turns():
        start = rigid.pose(R, middles[1] - R @ middles[0])
        fit = surface_fit.fit(few, coarse, FAR_MM, start, threads=threads)
        if fit is not None:
            pairing = surface_fit.Pairing(few, coarse)
            share = len(pairing.pairs(fit.T_target_points, REACHES_MM[0])[0]) / len(few.points_mm)
            if best is None or share > best[0]:
                best = share, fit.T_target_points
    return None if best is None else best[1]


def _turns() -> list[np.ndarray]:
    """The 24 rotations, (3, 3) each, that carry the axes onto axes."""
    turns = []
    for order, signs in product(permutations(range(3)), product((1.0, -1.0), repeat=3)):
        R = np.zeros((3, 3))
        R[range(3), order] = signs
        if np.linalg.det(R) > 0.0:
            turns.append(R)
    return turns


def _mirrored(measured: Sheet, target: Sheet, fit: Fit, threads: int) -> float:
    """Share of the measured surface that lies on the mirror image of the target, by the core of the true one's fit."""
    flip = np.array([1.0, -1.0, 1.0])
    image = Sheet(measured.points_mm * flip, measured.normals * flip, measured.spacing_mm)
    found = surface_fit.fit(image, target, REACHES_MM, fit.T_target_points, threads=threads)
    if found is None:
        return 0.0
    residuals = surface_fit.Pairing(image, target).pairs(found.T_target_points, REACHES_MM[-1])[3]
    return float(np.count_nonzero(np.abs(residuals) < fit.core_mm) / len(image.points_mm))
