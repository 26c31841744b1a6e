"""Coordinates that were rounded too coarsely, and points that show no surface, are refused; sound ones pass."""

from pathlib import Path

import laspy
import numpy as np
import pytest

from e57_files import places, real, scaled, write
from nightbay.core.errors import Rejected
from nightbay.intake import intake, plausibility, precision
from nightbay.intake.result import IntakeResult
from nightbay.pipeline.settings import settings
from nightbay.planning import parameters, yaml_file
from nightbay.planning.raw_files import Hashes
from nightbay.report import job_warnings
from nightbay.report.part import Part, Segment
from raw_exports import write_ply
from typed_results import made

DEFAULTS = yaml_file.read(parameters.CLASSES.parent / "config.yaml", "config.yaml")
VAN = {"length": [3900, 7700], "width": [1600, 2300], "height": [1700, 3200]}


@pytest.fixture
def take(tmp_path, monkeypatch):
    """A function that runs intake on a file of the current folder and returns its numbers."""
    monkeypatch.chdir(tmp_path)

    def run(name, units="mm", **own):
        sheet = {"file": name, **Hashes(tmp_path).of(name), "units": units, "columns": None}
        sheet |= {"part": "exterior", "vehicle_class": "van", "extent_mm": VAN}
        values = {"scan": DEFAULTS["scan"], "intake": DEFAULTS["intake"] | own}
        (tmp_path / "out").mkdir(exist_ok=True)
        return intake.intake({}, sheet, settings(values), tmp_path / "out", 1)

    return run


def refusal(take, *words, **more):
    with pytest.raises(Rejected) as caught:
        take(*words, **more)
    return str(caught.value)


def side(count=8001, noise_mm=0.1):
    """A curved panel of 4 x 1.5 m with its noise, (n, 3) mm."""
    rng = np.random.default_rng(3)
    u, v = rng.uniform(-2000, 2000, count), rng.uniform(-0.7, 0.7, count)
    radius = 1100 + rng.normal(0, noise_mm, count)
    return np.column_stack([u, radius * np.cos(v), radius * np.sin(v)])


def save(kind, xyz_mm):
    """The points in a file of this kind; returns its name and units."""
    if kind in ("single.ply", "double.ply"):
        write_ply(Path(kind), "<", "f4" if kind.startswith("single") else "f8", xyz_mm)
        return kind, "mm"
    if kind == "copied.ply":  # a double precision that went through single
        write_ply(Path(kind), "<", "f8", xyz_mm.astype(np.float32).astype(float))
        return kind, "mm"
    if kind in ("single.e57", "double.e57"):
        write(kind, places(xyz_mm / 1000, real(single=kind == "single.e57")))
        return kind, "m"
    if kind == "single.stl":
        corners = xyz_mm[: len(xyz_mm) // 3 * 3].reshape(-1, 3, 3).astype("<f4")
        records = np.zeros(len(corners), [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
        records["corners"] = corners
        head = bytes(80) + np.array([len(corners)], "<u4").tobytes()
        with open(kind, "wb") as file:
            file.write(head + records.tobytes())
        return kind, "mm"
    scale, units, digits = {"m.xyz": (1000, "m", 7), "inch.xyz": (25.4, "inch", 6)}[kind]
    np.savetxt(kind, xyz_mm.astype(np.float32).astype(float) / scale, fmt=f"%.{digits}f")
    return kind, units


KINDS = ("single.ply", "copied.ply", "single.e57", "single.stl", "m.xyz", "inch.xyz")
# What single precision leaves of 5e9 mm, a survey's northing: steps of 512 mm; of 2e7: 2 mm; of 1.9e6: 0.125 mm.
FAR = ((5e9, 512), (3.6e7, 4), (1.9e6, 0.125))


# A Latin square: each kind of file with each offset and each axis, each offset on each axis.
@pytest.mark.parametrize(
    ("kind", "axis", "offset_mm", "step_mm"),
    [(kind, (row + column) % 3, *far) for row, kind in enumerate(KINDS) for column, far in enumerate(FAR)],
)
def test_single_precision_far_from_the_origin(take, kind, axis, offset_mm, step_mm):
    offset = np.zeros(3)
    offset[axis] = offset_mm
    name, units = save(kind, side() + offset)
    if step_mm > DEFAULTS["intake"]["largest_step_mm"]:
        found = refusal(take, name, units)
        assert found.startswith(f"{name}: its coordinates, ")
        assert "come in steps of" in found and "at most 2 mm are allowed (parameter intake.largest_step_mm)" in found
        assert "export it centred on the vehicle" in found
        return
    got = take(name, units)
    # A unit of metres has other binary digits: its steps are up to twice as fine or as coarse.
    assert step_mm / 2.1 <= got["step_mm"] <= 2.1 * step_mm
    assert [note for note in got["notes"] if "in steps of" in note]
    assert not got["step_outweighs_noise"]


@pytest.mark.parametrize("kind", KINDS)
def test_single_precision_about_the_vehicle_is_sound(take, kind):
    got = take(*save(kind, side() + [3000, 500, 0]))
    assert got["step_mm"] < 0.1 and not [note for note in got["notes"] if "steps" in note]


@pytest.mark.parametrize("kind", ["double.ply", "double.e57"])
def test_double_precision_is_sound_however_far(take, kind):
    got = take(*save(kind, side() + [4.1e9, 5.6e8, 1e5]))
    assert got["step_mm"] < 0.1 and not [note for note in got["notes"] if "steps" in note]


def digits(units, decimals):
    """A text file of the panel with so many decimals."""

    def make():
        scale = {"mm": 1, "cm": 10, "m": 1000}[units]
        np.savetxt("a.xyz", (side() + [1_234_567, 0, 300]) / scale, fmt=f"%.{decimals}f")
        return "a.xyz", units

    return make


def las(scale):
    """LAS in metres with coordinates in steps of ``scale``."""

    def make():
        data = laspy.LasData(laspy.LasHeader(point_format=3, version="1.2"))
        data.header.scales = np.full(3, scale)
        data.x, data.y, data.z = side().T / 1000
        data.write("a.las")
        return "a.las", "m"

    return make


def e57(scale):
    """E57 with scaled whole numbers, turned, so that no coordinate is in steps any more."""

    def make():
        half = (float(np.cos(0.3)), 0.0, 0.0, float(np.sin(0.3)))
        write("a.e57", places(side() / 1000, scaled(scale)), pose=(half, (100.0, 200.0, 0.0)))
        return "a.e57", "m"

    return make


@pytest.mark.parametrize(
    ("make", "step_mm"),
    [
        (digits("mm", 2), 0.01), (digits("mm", 1), 0.1), (digits("mm", 0), 1), (digits("cm", 1), 1),
        (digits("m", 3), 1), (digits("m", 4), 0.1), (las(0.0001), 0.1), (las(0.00025), 0.25), (las(0.001), 1),
        (e57(0.001), 1), (e57(1e-6), 0.001),
    ],
)  # fmt: skip
def test_digits_that_the_grid_hides_pass_and_are_said(take, make, step_mm):
    got = take(*make())
    # Below the noise chance decides: the first per cent of the distances between 8001 values in 1.5 m is 0.002 mm.
    assert got["step_mm"] == pytest.approx(step_mm, rel=0.01, abs=0.003)
    assert bool([note for note in got["notes"] if "in steps of" in note]) == (step_mm > 0.1 * 1.001)
    assert got["step_outweighs_noise"] == (step_mm > np.sqrt(12) * 0.1)


@pytest.mark.parametrize("make", [digits("cm", 0), digits("m", 2), las(0.01), e57(0.005)])
def test_digits_that_ruin_the_model_are_refused_unless_they_are_allowed(take, make):
    assert "come in steps of" in refusal(take, *make())
    assert take(*make(), largest_step_mm=20)["step_outweighs_noise"]


@pytest.mark.parametrize("outweighs", [True, False])
def test_rounding_that_errs_by_more_than_the_scanner_is_a_warning_before_use(outweighs):
    taken = made(IntakeResult, step_mm=1.0, step_outweighs_noise=outweighs)
    exterior = made(Part, name="exterior", segments={"left": made(Segment, intake=taken)})
    warnings = job_warnings.warnings_of([exterior], {})
    assert bool(warnings) == outweighs
    assert not outweighs or "The coordinates of segment left were rounded to steps of" in warnings[0]


def test_a_raster_is_no_rounding():
    """Two coordinates of a depth map are in steps of its pixels, the depth is not; a plane has one all equal."""
    u, v = np.meshgrid(np.arange(-2000, 2000, 5.0), np.arange(-700, 700, 5.0))
    depth = np.sqrt(4e6 - v**2) + np.random.default_rng(1).normal(0, 0.1, u.shape)
    xyz = np.column_stack([u.ravel(), v.ravel(), depth.ravel()])
    assert precision.step_mm(xyz) < 0.01
    assert precision.step_mm(np.column_stack([np.zeros(5000), side(5000)[:, :2]])) < 0.05


def curve(kind, count=4000, noise_mm=0.1):
    """Points on a line or a curve with noise, (n, 3) mm."""
    along = np.random.default_rng(7).uniform(-1, 1, count)
    xyz = {
        "line": lambda: 2000 * np.column_stack([along, 0.3 * along, -0.2 * along]),
        "circle": lambda: 900 * np.column_stack([np.cos(np.pi * along), np.sin(np.pi * along), 0 * along]),
        "spiral": lambda: np.column_stack([900 * np.cos(9 * along), 900 * np.sin(9 * along), 900 * along]),
        "cross": lambda: 2000 * along[:, None] * np.eye(3)[np.arange(count) % 3],
    }[kind]()
    return xyz + np.random.default_rng(8).normal(0, noise_mm, xyz.shape)


@pytest.mark.parametrize("kind", ["line", "circle", "spiral", "cross"])
@pytest.mark.parametrize(("count", "noise_mm"), [(1000, 0), (4000, 0.1), (100_000, 0.2)])
def test_points_on_a_line_or_a_curve_are_refused(take, kind, count, noise_mm):
    np.savetxt("a.xyz", curve(kind, count, noise_mm), fmt="%.4f")
    assert refusal(take, "a.xyz").startswith("a.xyz: its points lie on a line or a curve (neighbours spread")


@pytest.mark.parametrize("width_mm", [10, 40, 300])
@pytest.mark.parametrize("length_mm", [900, 4000, 11_000])
def test_a_narrow_strip_is_a_surface(width_mm, length_mm):
    rng = np.random.default_rng(5)
    count = max(1000, width_mm * length_mm // 25)  # 5 mm apart: at least two side by side
    xyz = np.column_stack([rng.uniform(0, length_mm, count), rng.uniform(0, width_mm, count), np.zeros(count)])
    plausibility.check_surface(xyz + rng.normal(0, 0.1, xyz.shape), 0.1, "a.xyz")


@pytest.mark.parametrize("order", ["along", "across"])
def test_lines_of_a_scanner_are_a_surface(order):
    """Points 0.2 mm apart on lines 8 mm apart, in the order in which they were scanned or sorted across it."""
    u, v = np.meshgrid(np.arange(0, 1200, 0.2), np.arange(0, 400, 8.0), indexing="ij" if order == "across" else "xy")
    xyz = np.column_stack([u.ravel(), v.ravel(), 0.0001 * u.ravel() ** 2])
    plausibility.check_surface(xyz + np.random.default_rng(2).normal(0, 0.1, xyz.shape), 0.1, "a.xyz")
