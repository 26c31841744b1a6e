"""The simulated scanner: same bytes, the noise it was told, true labels, even density, a survey with known errors."""

import numpy as np
import pytest
import trimesh

import bodies
import scan_errors
import sight
import simulate
import survey
import viewpoints
from nightbay.core import rigid

PLATE = bodies.box((-600, -400, 200), (600, 400, 300), bodies.PAINT)


def _plate_scan(points=60_000, **options):
    views = viewpoints.top(PLATE, seed=1)
    return simulate.scan(PLATE, views, points=points, noise_mm=0.1, seed=2, ground=False, **options)


def _in_vehicle(scan, points):
    return rigid.transform(scan.T_vehicle_segment, points.xyz * scan.unit_mm)


@pytest.fixture(scope="module")
def perfect():
    scan = _plate_scan(faults=simulate.PERFECT)
    return scan, scan.all_points()


def test_same_seed_gives_same_bytes():
    first, again = (_plate_scan(20_000, colour=True).all_points() for _ in range(2))
    for name in ("xyz", "normals", "colour", "label", "view", "true_mm"):
        assert getattr(first, name).tobytes() == getattr(again, name).tobytes()


def test_chunks_do_not_depend_on_each_other():
    scan = _plate_scan(20_000, chunk=5_000)
    chunks = list(scan.chunks())
    assert len(chunks) == 4
    alone = list(scan.chunks())[2]
    assert alone.xyz.tobytes() == chunks[2].xyz.tobytes()
    assert len(simulate.join(chunks)) == sum(len(chunk) for chunk in chunks)


def test_number_of_points_is_about_what_was_asked(perfect):
    # a pilot of 100 000 points tells what share is seen; its relative sd is below 1 %
    assert len(perfect[1]) == pytest.approx(60_000, rel=0.02)
    assert len(_plate_scan().all_points()) == pytest.approx(60_000, rel=0.02)


def test_noise_lies_along_the_beam_and_grows_with_incidence(perfect):
    scan, points = perfect
    error = _in_vehicle(scan, points) - points.true_mm
    beam = points.true_mm - scan.views.position_mm[points.view]
    beam /= np.linalg.norm(beam, axis=1, keepdims=True)
    along = np.einsum("ij,ij->i", error, beam)
    assert np.abs(error - along[:, None] * beam).max() < 1e-9
    top = points.true_mm[:, 2] == 300
    cosine = np.abs(beam[:, 2])
    for low, high in ((0.5, 0.7), (0.9, 1.0)):
        rows = top & (cosine > low) & (cosine < high)
        # the sd of an sd from n values is 1 / sqrt(2 n) of it; four of those
        assert np.std(along[rows] * cosine[rows]) == pytest.approx(0.1, rel=4 / np.sqrt(2 * rows.sum()))


def test_noise_is_recovered_on_a_plane(perfect):
    scan, points = perfect
    height = _in_vehicle(scan, points)[points.true_mm[:, 2] == 300, 2] - 300
    # along the normal, noise / cos(incidence) along the beam is noise again
    assert np.std(height) == pytest.approx(0.1, rel=4 / np.sqrt(2 * len(height)))
    assert abs(height.mean()) < 4 * 0.1 / np.sqrt(len(height))


def test_density_is_even(perfect):
    _, points = perfect
    top = points.true_mm[points.true_mm[:, 2] == 300]
    inner = np.all(np.abs(top[:, :2]) < [480, 320], axis=1)
    counts, _, _ = np.histogram2d(*top[inner, :2].T, bins=(24, 16), range=((-480, 480), (-320, 320)))
    # random points would scatter by the square root of the mean; faces are filled more evenly than that
    assert counts.std() < np.sqrt(counts.mean())
    assert counts.min() > 0.7 * counts.mean()


def test_surface_points_lie_on_the_surface_and_others_do_not():
    scan = _plate_scan(faults=simulate.Faults(strays=0.02, clusters=0.01, mirrors=20.0))
    points = scan.all_points()
    distance = scan.caster.compute_distance(np.float32(_in_vehicle(scan, points))).numpy()
    good = points.label == simulate.SURFACE
    # noise of up to 0.1 / 0.26 mm at the steepest incidence, five sd
    assert distance[good].max() < 5 * 0.1 / sight.STEEPEST_COS
    for label in (simulate.STRAY, simulate.CLUSTER):
        assert np.count_nonzero(points.label == label) > 100
    wrong = np.isin(points.label, (simulate.STRAY, simulate.GHOST))
    assert distance[wrong].min() > 0.8
    assert distance[points.label == simulate.CLUSTER].min() > 10


def test_normals_face_the_scanner():
    scan = _plate_scan(20_000)
    points = scan.all_points()
    good = points.label == simulate.SURFACE
    towards = scan.views.position_mm[points.view] - points.true_mm
    normal = rigid.rotate(scan.T_vehicle_segment, points.normals)
    assert np.einsum("ij,ij->i", towards, normal)[good].min() > 0
    assert np.linalg.norm(points.normals, axis=1) == pytest.approx(np.ones(len(points)), abs=1e-6)


def test_a_slip_leaves_a_second_layer_of_the_stated_thickness():
    faults = simulate.Faults(strays=0, edges=0, clusters=0, layers_mm=(2.0,), layer_path_mm=1500)
    scan = _plate_scan(faults=faults)
    points = scan.all_points()
    layer = points.label == simulate.LAYER
    assert layer.sum() > 500
    shift = _in_vehicle(scan, points) - points.true_mm
    assert np.linalg.norm(shift[layer].mean(axis=0)) == pytest.approx(2.0, abs=0.02)
    # both copies are there: surface points lie among those of the layer
    low, high = np.percentile(points.true_mm[layer], (10, 90), axis=0)
    among = np.all((points.true_mm > low - 1e-6) & (points.true_mm < high + 1e-6), axis=1)
    assert np.count_nonzero(among & (points.label == simulate.SURFACE)) > 500


def test_a_slip_between_two_paths_of_a_run_moves_nothing():
    """The jump takes 99 % of the way, and the slip begins after a fifth of it and ends before its end."""
    faults = simulate.Faults(layers_mm=(2.0,), layer_path_mm=100.0)
    near, far = np.array([[0.0, 0, 0], [50, 0, 0]]), np.array([[10_000.0, 0, 0], [10_050, 0, 0]])
    axis = np.tile([0.0, 0, -1], (2, 1))
    views = viewpoints.both(viewpoints.Viewpoints(near, axis, near), viewpoints.Viewpoints(far, axis, far))
    assert not scan_errors.slips(views, faults, np.random.default_rng(1)).any()


def test_mirrored_ground_appears_behind_a_glossy_panel():
    # a leaning panel: an upright one would mirror the floor onto the floor
    mesh = trimesh.creation.box(bounds=[(-100, -400, -400), (100, 400, 400)])
    mesh.apply_transform(trimesh.transformations.rotation_matrix(np.radians(15), (0, 1, 0), (0, 0, 0)))
    body = bodies.of_mesh(mesh.apply_translation((0, 0, 520)), bodies.CHROME)
    views = viewpoints.wall(body, 0.0, 1.0, seed=1)
    faults = simulate.Faults(strays=0, edges=0, clusters=0, mirrors=5.0, dropouts=False)
    scan = simulate.scan(body, views, points=30_000, noise_mm=0.1, seed=2, faults=faults)
    points = scan.all_points()
    ghost = points.label == simulate.GHOST
    assert ghost.sum() > 50
    start = scan.views.position_mm[points.view[ghost]]
    way = points.true_mm[ghost] - start
    depth = np.linalg.norm(way, axis=1)
    hit, _ = viewpoints.cast(scan.caster, start, way / depth[:, None])
    assert np.all(hit < depth - 1.0)


def test_glass_drops_out():
    halves = ((-600, 0, bodies.PAINT), (0, 600, bodies.GLASS))
    body = bodies.join([bodies.box((low, -400, 200), (high, 400, 300), material) for low, high, material in halves])
    scan = simulate.scan(body, viewpoints.top(body, seed=1), points=30_000, noise_mm=0.1, seed=2, ground=False)
    points = scan.all_points()
    top = points.true_mm[(points.label == simulate.SURFACE) & (points.true_mm[:, 2] == 300)]
    share = np.mean(top[:, 0] > 0)
    kept = simulate.KEPT[bodies.GLASS]
    assert share == pytest.approx(kept / (1 + kept), abs=0.01)


def test_drift_is_zero_at_the_start_and_grows():
    scan = _plate_scan(2_000, drift_mm_per_m=1.0)
    length = np.linalg.norm(scan.drift_mm, axis=1)
    reach = scan.views.reach_mm / 1000
    assert length[0] == 0
    assert np.all(length <= 4 * reach)
    assert length[reach > 0.8].mean() > length[reach < 0.3].mean()
    steps = np.linalg.norm(np.diff(scan.drift_mm, axis=0), axis=1)
    moves = np.linalg.norm(np.diff(scan.views.position_mm, axis=0), axis=1) / 1000
    assert np.all(steps <= 6 * (moves + 0.01))  # smooth: neighbours on the path agree


def test_raw_unit_and_frame():
    pose = rigid.pose(translation_mm=(10, 20, 30))
    scan = _plate_scan(2_000, unit_mm=1000.0, T_vehicle_segment=pose, faults=simulate.PERFECT)
    points = scan.all_points()
    # metres from an origin 10, 20, 30 mm off: the plate ends 610 mm from it
    assert np.abs(points.xyz).max() == pytest.approx(0.61, abs=0.01)
    # five sd of the noise at the steepest incidence
    assert np.abs(_in_vehicle(scan, points) - points.true_mm).max() < 5 * 0.1 / sight.STEEPEST_COS


def test_a_body_that_nothing_sees_is_refused():
    views = viewpoints.top(PLATE, seed=1)
    away = viewpoints.Viewpoints(views.position_mm, -views.axis, views.aim_mm)
    with pytest.raises(ValueError, match="no viewpoint sees the body"):
        simulate.scan(PLATE, away, points=1000, noise_mm=0.1, seed=1)


@pytest.fixture(scope="module")
def network():
    true = survey.targets(PLATE, 80.0, seed=3)
    return _plate_scan(2_000, faults=simulate.PERFECT, unit_mm=1000.0), true


def test_targets_lie_flat_and_apart(network):
    _, true = network
    assert len(true) > 100
    gap = np.linalg.norm(true.xyz_mm[:, None] - true.xyz_mm[None], axis=2)
    assert gap[np.triu_indices(len(true), 1)].min() > 80
    # normals are those of the plate's faces, and each target lies on the face of its normal
    axis, row = np.abs(true.normals).argmax(axis=1), np.arange(len(true))
    outwards = true.normals[row, axis]
    assert np.abs(outwards) == pytest.approx(1, abs=1e-9)
    assert np.linalg.norm(true.normals, axis=1) == pytest.approx(1, abs=1e-9)
    low, high = PLATE.bounds_mm
    assert true.xyz_mm[row, axis] == pytest.approx(np.where(outwards > 0, high[axis], low[axis]), abs=1e-9)
    on_top = true.normals[:, 2] > 0.9
    assert np.all(np.abs(true.xyz_mm[on_top, :2]) < [600 - 5, 400 - 5])


def test_target_list_is_in_the_raw_frame_with_its_noise(network):
    scan, true = network
    listed = survey.target_list(scan, true, seed=4, noise_mm=0.04)
    error = rigid.transform(scan.T_vehicle_segment, listed.xyz * 1000.0) - true.xyz_mm[listed.truth]
    assert np.all(listed.truth >= 0)
    assert np.std(error) == pytest.approx(0.04, rel=4 / np.sqrt(2 * error.size))
    normal = rigid.rotate(scan.T_vehicle_segment, listed.normals)
    assert np.einsum("ij,ij->i", normal, true.normals[listed.truth]).min() > 0.99
    assert listed.diameter * 1000.0 == pytest.approx(np.full(len(listed), 8.0), abs=0.3)


def test_spurious_missing_moved(network):
    scan, true = network
    whole = survey.target_list(scan, true, seed=4, noise_mm=0.04)
    moved = np.sort(whole.truth)[:3]
    listed = survey.target_list(scan, true, seed=4, noise_mm=0.04, spurious=0.2, missing=0.2, moved=moved, moved_mm=5.0)
    real = listed.truth[listed.truth >= 0]
    assert len(set(real)) == len(real)
    assert len(real) == pytest.approx(0.8 * len(whole), abs=4 * np.sqrt(0.16 * len(whole)))
    assert np.count_nonzero(listed.truth < 0) == round(0.2 * len(real))
    error = rigid.transform(scan.T_vehicle_segment, listed.xyz * 1000.0) - true.xyz_mm[listed.truth]
    length = np.linalg.norm(error, axis=1)
    shifted = np.isin(listed.truth, moved)
    assert np.all(np.abs(length[shifted] - 5.0) < 0.3)
    assert length[(listed.truth >= 0) & ~shifted].max() < 0.3


def test_survey_doubles_some(network):
    _, true = network
    pose = rigid.pose(translation_mm=(100, 0, 0))
    listed = survey.survey(true, seed=5, noise_mm=0.03, doubled=4, duplicate_mm=3.0, T_vehicle_control=pose)
    number, many = np.unique(listed.truth, return_counts=True)
    assert np.count_nonzero(many == 2) == 4
    for one in number[many == 2]:
        a, b = listed.xyz[listed.truth == one]
        assert np.linalg.norm(a - b) == pytest.approx(3.0, abs=0.3)
