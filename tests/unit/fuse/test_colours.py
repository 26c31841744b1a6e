"""Colours of segments: gains from overlaps, what they must not be led astray by, and blending without seams.

Most scenes are two runs over one painted panel, whose light is multiplied by gains that only the test knows.
"""

import hashlib

import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from fuse_scenes import run, settings, sheet, upstream
from nightbay.clouds import cloud
from nightbay.clouds.posed_segment import PosedSegment
from nightbay.core import colour
from nightbay.fuse import colour_gains, colour_match, colour_patches
from nightbay.fuse.colour_gains import Ratio

PATCH_MM, NOISE = 10.0, 4.0  # bytes
TILT = Rotation.from_euler("xyz", (15, -25, 40), degrees=True).as_matrix()


def paint(points, level=0.3):
    """Light of a panel with soft stripes and patches of hue, (n, 3), about ``level``."""
    x, y = points[:, 0] / 17.0, points[:, 1] / 23.0
    waves = np.column_stack([np.sin(x) + np.cos(y), np.sin(x + 2 * y), np.cos(x - y)])
    return level * np.exp(0.35 * waves)


def seen(rng, x_low, x_high, gain=(1, 1, 1), light=paint, count=9000, depth=200.0):
    """A run over a tilted panel from x_low to x_high, mm: (points, normals, colours)."""
    points = np.column_stack([rng.uniform(x_low, x_high, count), rng.uniform(0, depth, count), np.zeros(count)])
    values = colour.encoded_of(light(points) * gain) + rng.normal(0, NOISE, (count, 3))
    colours = np.clip(np.rint(values), 0, 255).astype(np.uint8)
    return points @ TILT.T, np.tile(TILT[:, 2], (count, 1)), colours


def posed(folder, **runs):
    """Runs as segments in one frame; colours may be None."""
    found = []
    for name, (points, normals, colours) in sorted(runs.items()):
        block = cloud.Cloud(points.astype(np.float32), normals.astype(np.float32), colours)
        found.append(PosedSegment(name, cloud.write(folder / name, [block], np.zeros(3), 500.0), np.eye(4)))
    return found


def matched(folder, **runs):
    return colour_match.match(posed(folder, **runs), PATCH_MM, True)


def ratio_and_sd(match, a="a", b="b"):
    """Logarithm of the ratio of two segments' gains and the standard deviation of it for two that are tied by a gauge:
    their errors are equal and opposite."""
    first, second = match.result.segments[a], match.result.segments[b]
    sd = np.array(first.gain_sd) / first.gain + np.array(second.gain_sd) / second.gain
    return np.log(np.array(first.gain) / second.gain), sd


def test_gains_are_recovered_within_their_uncertainties(tmp_path):
    """Ten pairs: the misfits over their standard deviations are chi squared of 30, 13.8 to 53.7 in 99 of 100 runs."""
    total = 0.0
    for seed in range(10):
        rng = np.random.default_rng(seed)
        true = rng.uniform(0.6, 1.6, (2, 3))
        match = matched(tmp_path / str(seed), a=seen(rng, 0, 200, true[0]), b=seen(rng, 60, 260, true[1]))
        log, sd = ratio_and_sd(match)
        total += (((log - np.log(true[1] / true[0])) / sd) ** 2).sum()
        gains = np.array([match.result.segments[name].gain for name in "ab"])
        assert np.prod(gains, axis=0) == pytest.approx(1.0)  # the gauge
        assert (sd < 0.02).all()
    assert 13.8 < total < 53.7


def test_differences_fall_on_patches_that_the_fit_has_not_seen(tmp_path):
    rng = np.random.default_rng(1)
    match = matched(tmp_path, a=seen(rng, 0, 200, (0.6, 1.0, 1.5)), b=seen(rng, 60, 260, (1.4, 0.8, 0.7)))
    result = match.result
    # some 9000 points on 40000 mm2 are 22 in a patch, whose mean has a noise of 4 / sqrt(22) = 0.9 bytes and as much
    # from the pattern within it; a byte is 0.4 of L* here
    assert result.difference_before > 15 and result.difference_after < 1.5
    assert result.difference_withheld < 1.2 * result.difference_after
    assert result.patches > 100
    assert result.overlaps[0].patches == result.patches


def test_three_segments_in_a_chain_are_adjusted_together(tmp_path):
    rng = np.random.default_rng(2)
    true = np.array([(0.7, 0.9, 1.2), (1.3, 1.0, 0.8), (1.0, 1.5, 1.1)])
    runs = {name: seen(rng, 150 * k, 150 * k + 230, true[k]) for k, name in enumerate("abc")}
    match = matched(tmp_path, **runs)
    gains = np.array([match.result.segments[name].gain for name in "abc"])
    level = gains * true
    assert np.abs(np.log(level / level[0])).max() < 0.02  # a few times the sd of a ratio
    assert np.exp(np.log(gains).mean(axis=0)) == pytest.approx(np.ones(3))


def test_saturated_and_black_areas_do_not_pull_the_gains(tmp_path):
    """A third of the overlap is a lamp's reflection that saturates in one run only, a third nearly black."""

    def light(points):
        third = (points[:, 1] // 67).astype(int)
        return paint(points) * np.array([1.0, 4.0, 0.004])[np.clip(third, 0, 2)][:, None]

    rng = np.random.default_rng(3)
    true = np.array([(1.6, 1.4, 1.5), (0.7, 0.7, 0.6)])
    match = matched(tmp_path, a=seen(rng, 0, 200, true[0], light), b=seen(rng, 60, 260, true[1], light))
    log, sd = ratio_and_sd(match)
    assert np.abs(log - np.log(true[1] / true[0])).max() < max(4 * sd.max(), 0.02)
    assert match.result.overlaps[0].left_out > match.result.overlaps[0].patches


def test_a_panel_that_was_moved_between_the_runs_does_not_count(tmp_path):
    def moved(points):
        inside = (points[:, 1] > 120)[:, None]  # 40 % of the overlap is another colour in the second run
        return np.where(inside, [0.1, 0.35, 0.6], paint(points))

    rng = np.random.default_rng(4)
    match = matched(tmp_path, a=seen(rng, 0, 200), b=seen(rng, 60, 260, (1.5, 1.2, 0.8), moved))
    log, _ = ratio_and_sd(match)
    assert np.abs(log - np.log([1.5, 1.2, 0.8])).max() < 0.05


def test_a_grey_segment_gets_one_gain_and_ties_coloured_ones_together(tmp_path):
    rng = np.random.default_rng(5)
    a, b = seen(rng, 0, 150, (0.7, 0.7, 0.7)), seen(rng, 200, 350, (1.3, 1.3, 1.3))
    points, normals, colours = seen(rng, 80, 270, count=12_000)
    luminance = colour.bytes_of(colour.luminance_of(0.5 * colour.light_of(colours)))
    match = matched(tmp_path, a=a, b=b, g=(points, normals, np.repeat(luminance[:, None], 3, axis=1)))
    segments = match.result.segments
    assert [segments[name].kind for name in "abg"] == ["colour", "colour", "grey"]
    assert len(set(np.round(segments["g"].gain, 12))) == 1
    level = np.array([segments["a"].gain, segments["b"].gain, segments["g"].gain]) * [[0.7], [1.3], [0.5]]
    assert np.abs(np.log(level / level[0])).max() < 0.04
    assert np.exp(np.log([segments[name].gain for name in "abg"]).mean(axis=0)) == pytest.approx(np.ones(3))


def test_a_segment_without_colour_is_left_out_and_one_alone_keeps_its_own(tmp_path):
    rng = np.random.default_rng(6)
    far = seen(rng, 900, 1100, (0.5, 0.5, 0.5))
    points, normals, _ = seen(rng, 0, 260)
    match = matched(tmp_path, a=seen(rng, 0, 200), b=seen(rng, 60, 260, (2, 1, 1)), c=far, d=(points, normals, None))
    segments = match.result.segments
    assert segments["d"].kind == "none" and segments["d"].gain == [1, 1, 1] and segments["d"].kept_because is None
    assert segments["c"].gain == [1, 1, 1] and segments["c"].gain_sd is None
    assert segments["c"].kept_because == "too little overlap"
    assert segments["a"].gain_sd is not None
    assert colour_match.notes_of(match.result) == [
        "Colours of c are as exported: too few places are seen by another coloured segment too, unsaturated and not"
        " black, to match exposure and white balance."
    ]


def test_colours_that_have_nothing_in_common_are_not_matched(tmp_path):
    """Two runs of which each saw another cover: no gain mends that, and the withheld patches show it."""
    rng = np.random.default_rng(7)
    cells = np.exp(rng.normal(0, 0.5, (2, 40, 40, 3)))

    def cover(number):
        def light(points):
            at = np.clip((points[:, :2] // 10).astype(int), 0, 39)
            return 0.2 * cells[number, at[:, 0], at[:, 1]]

        return light

    match = matched(tmp_path, a=seen(rng, 0, 200, light=cover(0)), b=seen(rng, 60, 260, light=cover(1)))
    for segment in match.result.segments.values():
        assert segment.kept_because is None or segment.gain == [1, 1, 1]
    # gains of 1 are right: whatever was found must be one within what can be known, or be refused
    assert np.abs(np.log([segment.gain for segment in match.result.segments.values()])).max() < 0.2


def test_a_lamp_that_falls_off_is_evened_out_only_where_it_is_seen(tmp_path):
    """The gradients of the two runs' light are opposite; those found must not reach beyond the overlap."""

    def lit(slope_per_m):
        return lambda points: paint(points) * np.exp(slope_per_m * (points[:, :1] - 130) / 1000)

    rng = np.random.default_rng(8)
    even = matched(tmp_path / "even", a=seen(rng, 0, 200), b=seen(rng, 60, 260, (1.2, 1, 0.8)))
    assert even.result.segments["a"].gradient_per_m is None
    a, b = seen(rng, 0, 200, light=lit(-3)), seen(rng, 60, 260, (1.2, 1, 0.8), light=lit(3))
    shaded = matched(tmp_path / "shaded", a=a, b=b)
    gradient = TILT.T @ shaded.result.segments["a"].gradient_per_m
    assert gradient[0] == pytest.approx(3.0, abs=0.6) and abs(gradient[1]) < 0.6
    ends = np.array([[-5000.0, 100.0, 0.0], [60.0, 100.0, 0.0]]) @ TILT.T
    factor = shaded.gains.shading(0, ends)
    # a range is a box of the vehicle frame: the panel is tilted in it, and its corners lie a little beyond
    assert factor[0] == pytest.approx(factor[1], abs=0.35) and 0.5 < factor[0] < 2.0
    assert shaded.result.difference_withheld < 0.9 * shaded.result.difference_before


def test_saturation_is_found_below_the_highest_byte():
    rng = np.random.default_rng(9)
    scene = np.clip(rng.normal(150, 60, (20_000, 3)), 0, 255).astype(np.uint8)
    assert colour_patches.saturation_limit(np.minimum(scene, 200)).tolist() == [200, 200, 200]
    soft = np.clip(rng.normal(100, 20, (20_000, 3)), 0, 255).astype(np.uint8)
    assert colour_patches.saturation_limit(soft).tolist() == [250, 250, 250]
    assert colour_patches.saturation_limit(np.full((500, 3), 90, np.uint8)).tolist() == [250, 250, 250]


def test_contradicting_loops_widen_the_uncertainty():
    weight = np.array([[0.01**-2]])
    loop = [Ratio(0, 1, np.array([0.1]), weight), Ratio(1, 2, np.array([0.2]), weight)]
    agrees = colour_gains.adjust([*loop, Ratio(0, 2, np.array([0.3]), weight)], 3, 1, False)
    differs = colour_gains.adjust([*loop, Ratio(0, 2, np.array([0.6]), weight)], 3, 1, False)
    # light of 0 over 1 is e**0.1: the gain of 0 is smaller by that
    assert agrees[0][:, 0] == pytest.approx([-0.4 / 3, -0.1 / 3, 0.5 / 3])
    # three equal weights: the cofactor of a mean-free node is 2 / 9, and the misfit 0.3 spread over three ratios
    assert agrees[1] == pytest.approx(0.01 * np.sqrt(2 / 9) * np.ones((3, 1)))
    assert differs[1] == pytest.approx(agrees[1] * np.sqrt(3 * 0.1**2 / 0.01**2))


def scene(rng, second=1.0, colours=(150, 150)):
    """Two runs over a flat sheet with 60 mm in common, of a different brightness each."""
    parts = {}
    for name, middle, value, gain in (("a", -50, colours[0], 1.0), ("b", 50, colours[1], second)):
        points, normals = sheet(rng, 160, 100, 0.5, centre=(middle, 0, 0))
        byte = int(colour.bytes_of(np.array(gain * colour.light_of(value))))
        parts[name] = (points, normals, np.eye(4), {"colour": np.full((len(points), 3), byte, np.uint8)})
    return parts


def test_a_segment_fades_out_before_it_ends(tmp_path):
    """Unmatched, the runs differ by 22 %. No vertex may differ from its neighbours by more than the ramp explains."""
    values = settings(match_colours=False)
    numbers, whole = run(tmp_path, scene(np.random.default_rng(10), 0.8), values)
    light = colour.light_of(whole.vertex["red"])
    low, high = np.min(light), np.max(light)
    assert high / low == pytest.approx(1 / 0.8, rel=0.01)  # both pure colours are there, beyond the overlap
    inner = np.abs(whole.vertices_mm[:, 1]) < 44  # along the long sides a vertex may have points of one run only
    light, place = light[inner], whole.vertices_mm[inner].astype(float)
    near = cKDTree(place).query_pairs(2.5, output_type="ndarray")
    step = np.abs(light[near[:, 0]] - light[near[:, 1]]).max()
    # A smooth step over 60 mm rises by 1.5 / 60 of the difference a mm. Four to eight points of each run count by 0.8
    # to 0.9, which moves their mean by a sixteenth of the difference; a byte's rounding is 0.004 of light on each side.
    assert step < (2.5 * 1.5 / 60 + 2 / 16) * (high - low) + 2 * 0.004
    assert numbers["colour"]["segments"]["a"]["kept_because"] == "matching is off"
    assert numbers["notes"] == []


def test_matched_colours_reach_the_surface_and_leave_the_clouds_alone(tmp_path):
    rng = np.random.default_rng(11)
    runs = {"a": seen(rng, 0, 200, (0.8, 1, 1.2), count=20_000), "b": seen(rng, 60, 260, (1.3, 1, 0.7), count=20_000)}
    segments = {name: (p, n, np.eye(4), {"colour": colours}) for name, (p, n, colours) in runs.items()}
    digest = {}
    for threads in (1, 2):
        numbers, whole = run(tmp_path / str(threads), segments, threads=threads)
        digest[threads] = hashlib.sha256((tmp_path / str(threads) / "out" / "surface.ply").read_bytes()).hexdigest()
    assert digest[1] == digest[2]
    fresh = upstream(tmp_path / "fresh", segments)["clean"]
    for cleaned in fresh:  # as written before the stage ran, byte by byte
        own = (tmp_path / "1" / cleaned.segment / "cloud.ply").read_bytes()
        assert own == (cleaned.folder / "cloud.ply").read_bytes()
    gains = np.array([numbers["colour"]["segments"][name]["gain"] for name in "ab"])
    flat = whole.vertices_mm.astype(float) @ TILT
    light = np.column_stack([colour.light_of(whole.vertex[name]) for name in ("red", "green", "blue")])
    ends = [(flat[:, 0] > 10) & (flat[:, 0] < 50), (flat[:, 0] > 210) & (flat[:, 0] < 250)]
    for number, (inside, true) in enumerate(zip(ends, ((0.8, 1, 1.2), (1.3, 1, 0.7)), strict=True)):
        undone = np.median(light[inside] / gains[number] / paint(flat[inside]), axis=0)
        assert undone == pytest.approx(np.array(true), rel=0.03)  # dividing by the gains gives the export's colour


def test_a_saturated_point_counts_only_where_no_other_saw_the_surface(tmp_path):
    """The second run saturates; where both saw the sheet, the first run's colour stands."""
    numbers, whole = run(tmp_path, scene(np.random.default_rng(12), 1.0, (180, 255)), settings(match_colours=False))
    inner = (np.abs(whole.vertices_mm[:, 0]) < 3) & (np.abs(whole.vertices_mm[:, 1]) < 44)
    assert np.abs(whole.vertex["red"][inner].astype(int) - 180).max() <= 3
    assert whole.vertex["red"].max() == 255
    assert numbers["colour"]["overlaps"][0]["patches"] == 0


def test_a_part_without_colour_says_nothing_of_it(tmp_path):
    points, normals = sheet(np.random.default_rng(13), 40, 40, 1)
    numbers, _ = run(tmp_path, {"a": (points, normals, np.eye(4), {}), "b": (points, normals, np.eye(4), {})})
    assert numbers["colour"] is None and numbers["coloured"] is None and numbers["notes"] == []
