"""Doubts that decide whether a model can be used are warnings, each with a step; what decides nothing is none."""

from dataclasses import replace

import numpy as np
import pytest

from nightbay.clean.result import CleanResult, DuplicateLayer
from nightbay.frame.result import FrameResult, Heading, ZeroPlane
from nightbay.measure.result import Dimension, MeasureResult, UnscannedEnd
from nightbay.network.result import DriftEstimate, NetworkResult
from nightbay.refine.result import CONTRADICTS, RefinedPose, RefineResult, SurfaceRegistration, TurnedNormals
from nightbay.report import job_summary, job_warnings
from nightbay.report.next_step import JobWarning
from nightbay.report.part import Part, Segment
from typed_results import made

SHEET = {"parameters": {"exterior": {"refine": {"patch_mm": 400.0}}}, "parts": {"exterior": ["left"]}}


def part(name="exterior", cleaned=None, **stages):
    segments = {key: Segment(None, clean) for key, clean in (cleaned or {}).items()}
    nothing = dict.fromkeys(("network", "refine", "frame", "fuse", "fill", "reduce", "deliver", "measure"))
    return Part(name, [], segments, **{**nothing, **stages})


def only(found):
    """The one warning, which states a step."""
    (warning,) = found
    assert isinstance(warning, JobWarning) and warning.step.endswith(".") and warning.step[0].isupper()
    return warning


def clean(**known):
    return made(CleanResult, kept=400_000, spacing_mm=3.0, **known)


@pytest.mark.parametrize(
    ("certainty", "observed", "warned"),
    [
        (0.36, None, True),  # one segment alone, or the one that the others were turned after
        (0.36, 0.03, True),
        (0.36, 0.40, False),  # others show its outer side
        (0.97, None, False),
        (None, None, False),  # measured
    ],
)
def test_normals_whose_outer_side_nothing_shows(certainty, observed, warned):
    shown = {} if observed is None else {"left": TurnedNormals(observed, 12)}
    one = part(
        cleaned={"left": clean(normals_certainty=certainty)}, refine=made(RefineResult, normal_orientation=shown)
    )
    found = job_warnings.warnings_of([one], SHEET)
    assert bool(found) is warned
    if warned:
        assert "certainty 0.36 of 1" in only(found) and "Export segment left again with normals" in found[0].step
        assert job_summary.state_of([one], found) == job_summary.WARNED


def layer(area_cm2, kept="both"):
    return DuplicateLayer(100.0 * area_cm2, 3.0, kept)


@pytest.mark.parametrize(
    ("layers", "spacing_mm", "shown"),
    [
        ([layer(23)] * 7, 3.0, None),  # hems and both sides of panels
        ([layer(99)], 3.0, None),  # less than a quarter of the view each way: 100 mm
        ([layer(101)], 3.0, "101.0 cm² in 1 area (0.3 %"),
        ([layer(400), layer(367), layer(20)], 3.0, "767.0 cm² in 2 areas (2.1 %"),
        ([layer(400, "outer")], 3.0, None),  # decided
        ([layer(101)], 33.0, None),  # ten points
    ],
)
def test_copies_of_the_surface_that_nothing_decides(layers, spacing_mm, shown):
    cleaned = replace(clean(duplicate_layers=layers), spacing_mm=spacing_mm)
    found = job_warnings.warnings_of([part(cleaned={"left": cleaned})], SHEET)
    if shown is None:
        assert not found
    else:
        assert shown in only(found).replace("\u202f", " ") and "Don't measure or mount anything" in found[0]


@pytest.mark.parametrize(("drift", "warned"), [(0.047, False), (0.063, False), (0.066, True)])
def test_drift_beyond_what_the_uncertainties_cover(drift, warned):
    """The declared drift is one standard uncertainty; sizes are stated with two."""
    found = made(
        DriftEstimate, drift_mm_per_m=drift, sd_mm_per_m=0.002, declared_mm_per_m=0.03, extent_mm=5500.0, effect_mm=0.36
    )
    warnings = job_warnings.warnings_of([part(network=made(NetworkResult, drift=[found]))], SHEET)
    assert bool(warnings) is warned
    if warned:
        assert "Over 5.5 m that is 0.36\u202fmm" in only(warnings)


def test_targets_that_surfaces_contradict():
    poses = {
        "left": made(RefinedPose, pose_from="targets", reason=f"{CONTRADICTS}: they would move it by 7.0 sd"),
        "roof": made(RefinedPose, pose_from="targets", reason="a refined pose is not clearly better: 0.1 mm"),
    }
    found = job_warnings.warnings_of([part(refine=made(RefineResult, poses=poses))], SHEET)
    assert "Segment left stays where its targets place it" in only(found)


def test_surfaces_alone_say_how_sure_and_what_to_check():
    found = SurfaceRegistration("fore", "aft", 0.2, 0.005, 212, 0.21, ["aft", "fore"], None, 0)
    warning = only(job_warnings.warnings_of([part("interior", refine=made(RefineResult, by_surfaces=[found]))], SHEET))
    assert "Segment fore was registered by surfaces alone: it is known to ±0.40\u202fmm, ±0.010° (95 %)" in warning
    two = part("interior", refine=made(RefineResult, by_surfaces=[found, replace(found, segment="tail")]))
    assert "Segments fore and tail were registered" in only(job_warnings.warnings_of([two], SHEET))
    by_points = part("interior", refine=made(RefineResult, by_surfaces=[replace(found, point_pairs=3)]))
    assert job_warnings.warnings_of([by_points], SHEET) == []


def test_scale_bars_that_could_not_be_measured():
    bars = {**SHEET, "scale_bars": 2}
    assert "2 scale bars of the job sheet could not be measured" in only(
        job_warnings.warnings_of([part(network=made(NetworkResult))], bars)
    )
    two_parts = {**bars, "parts": {"exterior": ["left"], "interior": ["bay"]}}
    assert job_warnings.warnings_of([part("interior", network=made(NetworkResult))], two_parts) == []


def test_sizes_that_were_ordered_and_not_stated():
    sheet = {**SHEET, "nominal_mm": {"length": 5400, "wheelbase": 3400}, "sizes": {"exterior": ["sill to roof"]}}
    measured = made(MeasureResult, dimensions={"length": made(Dimension)})
    wheelbase, distance = job_warnings.warnings_of([part(measure=measured)], sheet)
    assert wheelbase.startswith("The job sheet gives a nominal wheelbase, but it could not be measured")
    assert distance.startswith("The distance 'sill to roof' of the job sheet can't be stated")
    assert "job.yaml" in distance.step


@pytest.mark.parametrize(
    ("axes", "name", "end", "words"),
    [
        ("design_grid", "length", "high", "rear"),
        ("iso_8855", "length", "high", "front"),
        ("design_grid", "width", "low", "left side"),
        ("iso_8855", "height", "high", "top"),
    ],
)
def test_the_step_names_the_end_that_was_not_scanned(axes, name, end, words):
    size = made(Dimension, unscanned_ends=[UnscannedEnd(end, 2.0, np.zeros(3))])
    frame = made(FrameResult, axes=axes, state="vehicle")
    found = job_warnings.warnings_of([part(frame=frame, measure=made(MeasureResult, dimensions={name: size}))], SHEET)
    assert only(found).step == f"Scan the {words} again, or check the {name} by hand."


def test_an_incomplete_frame_says_what_to_scan():
    def plane(found):
        return made(ZeroPlane, found_by="front axle" if found else "kept")

    def frame(**found):
        planes = {axis: plane(found[axis]) for axis in "xyz"}
        return made(
            FrameResult, axes="design_grid", state="partial", zero_planes=planes, heading=Heading("names", False)
        )

    no_wheels = job_warnings.warnings_of([part(frame=frame(x=False, y=True, z=True))], SHEET)
    assert only(no_wheels).step.startswith("Scan the wheels of the front axle too")
    nothing = job_warnings.warnings_of([part(frame=frame(x=False, y=False, z=False))], SHEET)
    assert only(nothing).step.startswith("Scan the ground or the tyres too")
    assert "zero X, Y and Z stay as scanned" in nothing[0]
