"""Point pairs of the job sheet: a start where surfaces leave directions loose, and what these rest on."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

import overlap_scenes
from nightbay.core import rigid
from nightbay.core.errors import Rejected
from nightbay.refine import point_pairs
from nightbay.refine.point_pairs import PointPairs
from unit.refine.test_loose_directions import gutter
from unit.refine.test_refine import COVERED, mahalanobis2, run

PICKED_MM = np.array([[1000.0, 480, 100], [1600, -300, 350], [1300, 50, 540], [1100, -450, 100]])
SD_MM = 5.0


def picked(poses, rng, sd_mm=SD_MM, wrong=0.0):
    """Point pairs as a job sheet has them; ``wrong``: mm along X by which the last point of fore is off."""
    pairs = []
    for at, point in enumerate(PICKED_MM):
        off = np.array([[0.0, 0, 0], [wrong if at == len(PICKED_MM) - 1 else 0.0, 0, 0]])
        both = point + off + rng.normal(0, sd_mm / np.sqrt(2), (2, 3))
        pairs.append(
            [rigid.transform(rigid.invert(T), own[None])[0].tolist() for T, own in zip(poses, both, strict=True)]
        )
    return {"segments": ["aft", "fore"], "points_mm": pairs, "sd_mm": sd_mm}


@pytest.fixture(scope="module")
def part(tmp_path_factory):
    """Two runs along an extrusion that share no targets: cleaned segments and true poses."""
    rng, folder = np.random.default_rng(3), tmp_path_factory.mktemp("part")
    true = {"aft": np.eye(4), "fore": overlap_scenes.random_pose(rng)}
    cleaned = []
    for name, low, high in (("aft", 0, 1700), ("fore", 900, 2600)):
        points, normals = gutter(60_000, rng, low, high)
        noisy = points + normals * rng.normal(0, 0.1, (len(points), 1))
        cleaned.append(overlap_scenes.write_segment(folder / name, name, noisy, normals, true[name]))
    return cleaned, true


def test_points_give_what_surfaces_leave_loose_with_its_uncertainty(part, tmp_path):
    cleaned, true = part
    pairs = picked([*true.values()], np.random.default_rng(4))
    record = run(cleaned, overlap_scenes.no_targets(), tmp_path, {"point_pairs": [pairs]})
    assert record["status"] == "ok", record["reasons"]
    result = record["result"]
    pose = result["poses"]["fore"]
    assert pose["pose_from"] == "point pairs"
    assert mahalanobis2(pose, true["fore"]) < COVERED
    motion = np.asarray(pose["T_control_segment"]) @ rigid.invert(true["fore"])
    off_mm = (rigid.transform(motion, PICKED_MM) - PICKED_MM).mean(axis=0)
    assert np.linalg.norm(off_mm[1:]) < 0.5  # surfaces decide across
    (loose,) = result["loose"]
    (direction,) = loose["directions"]
    assert (loose["segments"], loose["fixed_by"], direction["kind"]) == (["fore"], "point pairs", "shift")
    # four pairs of points: their mean is known to half the standard deviation of a pair
    assert direction["sd"] == pytest.approx(SD_MM / 2, rel=0.05)
    assert abs(off_mm[0]) < 4 * direction["sd"]
    (known,) = result["by_surfaces"]
    assert known["point_pairs"] == 4 and known["alternative"] is None
    assert known["position_sd_mm"] == pytest.approx(direction["sd"], rel=0.05)


def test_a_start_pose_may_be_a_few_centimetres_off(part, tmp_path):
    cleaned, true = part
    pairs = picked([*true.values()], np.random.default_rng(8), sd_mm=20.0)
    record = run(cleaned, overlap_scenes.no_targets(), tmp_path, {"point_pairs": [pairs]})
    assert record["status"] == "ok", record["reasons"]
    assert mahalanobis2(record["result"]["poses"]["fore"], true["fore"]) < COVERED


def test_points_that_contradict_the_surfaces_are_refused(part, tmp_path):
    cleaned, true = part
    lifted = rigid.pose(translation_mm=[0.0, 0.0, 40.0]) @ true["fore"]  # the points of fore stand 40 mm off
    pairs = picked([true["aft"], lifted], np.random.default_rng(5), sd_mm=2.0)
    record = run(cleaned, overlap_scenes.no_targets(), tmp_path, {"point_pairs": [pairs]})
    (reason,) = record["reasons"]
    assert reason["sentence"].startswith(
        "the point pairs of segments aft and fore contradict their surfaces: in the fitted pose the points of a pair "
    )


def test_points_that_put_segments_beside_each_other_are_refused(part, tmp_path):
    cleaned, true = part
    apart = rigid.pose(translation_mm=[0.0, 9000.0, 0.0]) @ true["fore"]
    pairs = picked([true["aft"], apart], np.random.default_rng(6))
    record = run(cleaned, overlap_scenes.no_targets(), tmp_path, {"point_pairs": [pairs]})
    (reason,) = record["reasons"]
    assert reason["sentence"] == (
        "the surfaces of segments aft and fore hardly meet where their point pairs put them (0 cells agree, 50 are "
        "needed); correct the points"
    )


def test_normal_equations_lead_to_the_pose_of_the_points():
    rng = np.random.default_rng(1)
    true = [np.eye(4), overlap_scenes.random_pose(rng)]
    exact = np.array([[rigid.transform(rigid.invert(T), point[None])[0] for T in true] for point in PICKED_MM])
    pairs = PointPairs(("a", "b"), exact, 3.0)
    near = rigid.pose(Rotation.from_rotvec([1e-4, -2e-4, 1e-4]).as_matrix(), [2.0, -1.0, 0.5]) @ true[1]
    centre_mm = PICKED_MM.mean(axis=0)
    equations = point_pairs.normal_equations([pairs], ["a", "b"], [true[0], near], centre_mm)
    motion = np.linalg.solve(equations.matrix[6:, 6:], equations.right[6:])
    moved = rigid.pose(Rotation.from_rotvec(motion[:3]).as_matrix(), motion[3:]) @ rigid.pose(None, -centre_mm) @ near
    found = rigid.transform(rigid.pose(None, centre_mm) @ moved, exact[:, 1])
    np.testing.assert_allclose(found, PICKED_MM, atol=1e-2)  # of second order: 3e-4 rad squared over a metre
    # the mean of four pairs
    covariance = np.linalg.inv(equations.matrix[6:, 6:])
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)[3:]), 3.0 / 2, rtol=1e-3)
    assert not point_pairs.normal_equations([pairs], ["a", "c"], true, centre_mm).matrix.any()


def test_sound_points_pass_and_wrong_ones_fail_the_test_of_their_residuals():
    rng = np.random.default_rng(2)
    sound = [
        PointPairs(("a", "b"), PICKED_MM[:, None] + rng.normal(0, 4.0 / np.sqrt(2), (4, 2, 3)), 4.0)
        for _ in range(1000)
    ]
    failing = sum(not pairs.fits(np.eye(4)) for pairs in sound)
    assert failing <= 2  # of 1000 one in ten thousand fails: three or more in one of 6000 such tests
    off = PICKED_MM[:, None] + np.array(
        [[0.0, 0, 0], [0, 0, 4.0 * np.sqrt(chi2.ppf(point_pairs.PASSED, 12) / 4) + 0.1]]
    )
    with pytest.raises(Rejected, match=r"^the point pairs of segments a and b contradict their surfaces: .* lie 13 mm"):
        point_pairs.check([PointPairs(("a", "b"), off, 4.0)], ["a", "b"], [np.eye(4)] * 2)
