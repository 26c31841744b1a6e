"""Sizes of rooms against their construction. The walls are flat, their noise is 0.1 mm at some thousand points: the
noise of a plane is below 0.005 mm, and 0.05 mm is ten times that."""

import numpy as np
import pytest
import trimesh

import part_results
from nightbay.core import rigid
from nightbay.fitting.bare_face import outermost_peak
from nightbay.measure import named_sizes, room_sizes
from nightbay.measure.ribs import slant_over_height
from nightbay.measure.room_faces import Shell
from room_scenes import HEIGHT, LENGTH, SCAN, WIDTH, shell

FLAT_MM = 0.05


def walls(low, high, keep=lambda centre: np.ones(len(centre), bool)):
    """The inside of a box as a mesh of small faces; ``keep``: which of them, by their centres."""
    mesh = trimesh.creation.box(bounds=[low, high]).subdivide_to_size(100.0)
    mesh = trimesh.Trimesh(mesh.vertices, mesh.faces[:, ::-1], process=False)
    mesh.update_faces(keep(mesh.triangles_center))
    return mesh


def sizes_of(made):
    found, notes = room_sizes.find(made, 900.0)
    return {entry.key: entry for entry in found}, notes


def furnished(*boxes, keep=lambda centre: np.ones(len(centre), bool)):
    room = walls([0, -WIDTH / 2, 0], [LENGTH, WIDTH / 2, HEIGHT], keep)
    return trimesh.util.concatenate([room, *(trimesh.creation.box(bounds=bounds) for bounds in boxes)])


def both(low, high):
    """A box on the right and its mirror image on the left."""
    return [(low, high), ((low[0], -high[1], low[2]), (high[0], -low[1], high[2]))]


@pytest.fixture(scope="module")
def plain():
    return shell(furnished())


@pytest.mark.parametrize(
    ("key", "true"),
    [
        ("width_floor", WIDTH), ("width_belt", WIDTH), ("length_floor", LENGTH), ("length_belt", LENGTH),
        ("height_roof", HEIGHT),
    ],
)  # fmt: skip
def test_a_plain_box_has_its_known_size(plain, key, true):
    size = sizes_of(plain)[0][key].size
    assert size.value_mm == pytest.approx(true, abs=FLAT_MM)
    assert abs(size.value_mm - true) <= size.uncertainty_mm < 2 * FLAT_MM
    assert size.points_mm.high is not None and size.points_mm.low is not None


def test_lengths_name_their_ends(plain):
    assert sizes_of(plain)[0]["length_floor"].title == "Length at floor height, front wall to rear wall"
    opened = sizes_of(shell(furnished(keep=lambda centre: centre[:, 0] < LENGTH - 1)))[0]
    assert opened["length_belt"].title == "Length at belt height, front wall to open end"
    for key in ("length_floor", "length_belt"):
        # the edge lies within half the points' distance of the last of them
        assert abs(opened[key].size.value_mm - LENGTH) <= opened[key].size.uncertainty_mm
        assert {"edge", "spacing"} <= opened[key].size.budget_mm.keys()
    assert opened["rear_opening_height"].size.value_mm == pytest.approx(HEIGHT, abs=FLAT_MM)
    assert opened["rear_opening_width_floor"].size.value_mm == pytest.approx(WIDTH, abs=FLAT_MM)


def aperture(centre):
    """All faces, by their centres, but those of the rear wall's middle at belt height."""
    return ~((centre[:, 0] > LENGTH - 1) & (np.abs(centre[:, 1]) < 620.0) & (np.abs(centre[:, 2] - 900.0) < 500.0))


def test_beside_an_aperture_a_length_ends_at_the_wall():
    sides = [trimesh.creation.box(bounds=[[LENGTH, y - 1, 400], [LENGTH + 60, y + 1, 1400]]) for y in (-700.0, 700.0)]
    found = sizes_of(shell(trimesh.util.concatenate([furnished(keep=aperture), *sides])))[0]["length_belt"]
    assert found.title == "Length at belt height, front wall to rear wall"
    assert abs(found.size.value_mm - LENGTH) <= found.size.uncertainty_mm < 1.0


def test_a_length_to_a_wall_that_was_not_scanned_at_its_height_says_so():
    def keep(centre):
        return ~((centre[:, 0] > LENGTH - 1) & (np.abs(centre[:, 2] - 900.0) < 500.0))

    found, notes = sizes_of(shell(furnished(keep=keep)))
    assert "length_floor" in found and "length_belt" not in found
    assert any(
        note.startswith("The length at belt height can't be stated: too little of the rear wall") for note in notes
    )


def test_wheel_boxes_ribs_and_bows():
    ribs = [bounds for x in (500, 1100, 1700, 2500) for bounds in both((x - 40, 815, 100), (x + 40, 850, 1700))]
    bows = [((x - 30, -800, HEIGHT - 40), (x + 30, 800, HEIGHT)) for x in (800, 1400, 2200)]
    made = shell(furnished(*both((1800, 620, 0), (2400, 850, 300)), *ribs, *bows), count=400_000)
    found, notes = sizes_of(made)
    expected = {
        "width_wheel_boxes": 1240.0, "height_bows": HEIGHT - 40, "height_roof": HEIGHT, "width_belt": WIDTH,
        "pitch_ribs_left_1": 600.0, "pitch_ribs_left_2": 600.0, "pitch_ribs_left_3": 800.0,
        "pitch_ribs_right_3": 800.0, "pitch_bows_1": 600.0, "pitch_bows_2": 800.0,
    }  # fmt: skip
    for key, true in expected.items():
        size = found[key].size
        assert abs(size.value_mm - true) <= max(size.uncertainty_mm, FLAT_MM), key
        assert size.uncertainty_mm < 1.0
    assert not notes


def test_a_rib_that_was_not_seen_is_suspected():
    ribs = [bounds for x in (300, 800, 1300, 2600) for bounds in both((x - 40, 815, 100), (x + 40, 850, 1700))]
    _, notes = sizes_of(shell(furnished(*ribs), count=400_000))
    assert any("2.6 times the others: something may hide a rib" in note for note in notes)


def profile(x, half, *, hidden=(), round_mm=0.0, slant=0.0, lean=0.0, inner=815.0):
    """A rib on the right wall as its upright faces: flanks that ``slant`` outwards to their feet, edges rounded with a
    radius, all of it leaning along X by ``lean`` to the top; ``hidden``: sides of X whose flank was not scanned."""
    angle = np.radians([0, 22.5, 45, 67.5, 90])
    outline = []
    for side in (-1, 1):
        edge = np.column_stack([half - round_mm * (1 - np.cos(angle)), inner + round_mm * (1 - np.sin(angle))])
        edge[:, 0] *= side
        foot = [[side * (half + slant), WIDTH / 2], [side * half, inner + round_mm]]
        part = edge if side in hidden else np.concatenate([foot[:1], edge])
        outline += [part if side < 0 else part[::-1]]
    line = np.concatenate(outline)
    faces, corners = [], []
    for start, end in zip(line, line[1:], strict=False):
        if np.linalg.norm(end - start) < 1e-6:
            continue
        at = len(corners)
        corners += [
            (x + px + shift, py, z)
            for (px, py), shift, z in ((start, 0, 100), (end, 0, 100), (end, lean, 1700), (start, lean, 1700))
        ]
        faces += [[at, at + 1, at + 2], [at, at + 2, at + 3]]
    made = trimesh.Trimesh(corners, faces, process=False)
    if made.face_normals[:, 1].sum() > 0:
        made.invert()
    return made


def pitches(*profiles, count=400_000):
    room = walls([0, -WIDTH / 2, 0], [LENGTH, WIDTH / 2, HEIGHT])
    found, notes = sizes_of(shell(trimesh.util.concatenate([room, *profiles]), count=count))
    return {key: entry for key, entry in found.items() if key.startswith(("pitch", "clear"))}, notes


def assert_near(entry, true):
    assert abs(entry.size.value_mm - true) <= entry.size.uncertainty_mm < 1.0


@pytest.mark.parametrize(("hidden", "flank", "sign"), [(-1, "rear", 1), (1, "front", -1)])
def test_the_pitch_of_a_rib_with_a_hidden_flank_is_that_of_the_flanks_that_both_show(hidden, flank, sign):
    found, notes = pitches(
        profile(500, 30, hidden=(hidden,), round_mm=14), profile(1100, 45, round_mm=14), profile(1700, 45, round_mm=14)
    )
    assert set(found) == {f"pitch_ribs_right_1_{flank}_flanks", "pitch_ribs_right_2"}
    assert_near(found[f"pitch_ribs_right_1_{flank}_flanks"], 600 + sign * 15)
    assert f"by the {flank} flanks" in found[f"pitch_ribs_right_1_{flank}_flanks"].title
    assert_near(found["pitch_ribs_right_2"], 600)
    assert not notes


def test_ribs_of_which_only_the_flanks_that_face_each_other_show_have_a_clear_distance():
    found, notes = pitches(profile(500, 30, hidden=(-1,), round_mm=14), profile(1100, 45, hidden=(1,), round_mm=14))
    assert set(found) == {"clear_ribs_right_1"} and not notes
    assert_near(found["clear_ribs_right_1"], 600 - 30 - 45)
    assert "between the flanks that face each other" in found["clear_ribs_right_1"].size.meaning


def test_ribs_without_flanks_to_compare_are_named():
    found, notes = pitches(profile(500, 30, hidden=(1,)), profile(1100, 45, hidden=(-1,)), profile(1700, 45))
    assert set(found) == {"pitch_ribs_right_2_rear_flanks"}
    assert ["ribs and posts, right, 1 to 2, can't be stated" in note for note in notes] == [True]


def test_flanks_that_slant_and_pillars_that_lean_have_their_pitch_at_middle_height():
    found, _ = pitches(
        profile(500, 30, slant=15, round_mm=6), profile(1100, 30, slant=15, round_mm=6),
        profile(1700, 30, slant=15, round_mm=6, lean=80),
    )  # fmt: skip
    assert_near(found["pitch_ribs_right_1"], 600)
    assert_near(found["pitch_ribs_right_2"], 600 + 40)


def test_a_flank_is_what_shows_over_the_height_though_its_rounding_has_more_points():
    rounding, flank = np.linspace(0.15, 0.3, 60), np.linspace(0.3, 0.9, 20)
    slants = np.concatenate([np.full(60, 14.0), np.full(20, 0.5)])
    assert slant_over_height(slants, np.concatenate([rounding, flank])) == pytest.approx(0.5)


def test_what_is_not_decided_is_said_with_the_sizes():
    _, notes = sizes_of(shell(furnished(), decided=False))
    assert any("is not decided: the sizes are right between the planes that they name" in note for note in notes)


def test_the_outermost_of_two_peaks_is_the_bare_wall():
    rng = np.random.default_rng(0)
    wall, ribs = rng.normal(0.0, 0.1, 400), rng.normal(-35.0, 0.1, 900)
    assert outermost_peak(np.concatenate([wall, ribs])) == pytest.approx(0.0, abs=4.0)


def distance(made, start, end):
    found, notes = named_sizes.find(made, [{"name": "test", "from": start, "to": end}])
    return (found[0].size if found else None), notes


def test_distances_between_planes_and_points(plain):
    planes = {plane.kind: plane.number for plane in plain.frame.room.planes}
    size, _ = distance(plain, {"plane": planes["floor"]}, {"plane": planes["roof"]})
    assert size.value_mm == pytest.approx(HEIGHT, abs=FLAT_MM)
    assert abs(size.value_mm - HEIGHT) <= size.uncertainty_mm
    size, _ = distance(plain, {"point_mm": [1000, 300, 0]}, {"plane": planes["roof"]})
    assert size.value_mm == pytest.approx(HEIGHT, abs=2 * FLAT_MM)
    assert abs(size.value_mm - HEIGHT) <= size.uncertainty_mm
    size, _ = distance(plain, {"point_mm": [1000, -850, 900]}, {"point_mm": [1000, 850, 900]})
    assert abs(size.value_mm - WIDTH) <= size.uncertainty_mm < 0.5
    size, _ = distance(plain, {"near_mm": [1000, 300, 10]}, {"near_mm": [1000, 300, 1795], "segment": "all"})
    assert size.value_mm == pytest.approx(HEIGHT, abs=FLAT_MM)


@pytest.mark.parametrize(
    ("start", "end", "sentence"),
    [
        ({"plane": 90}, {"plane": 1}, "there is no plane 90; 6 planes were found"),
        ({"point_mm": [1000, 0, 700]}, {"plane": 1}, "mm from the surface, at most 30 are allowed"),
        ({"near_mm": [1000, 0, 700]}, {"plane": 1}, "no plane lies within 60 mm of the point"),
        ({"point_mm": [0, 0, 0], "segment": "b"}, {"plane": 1}, "there is no segment 'b'; the part has all"),
        ({"point_mm": [1000, 0, 0]}, {"point_mm": [1000, 0, 0]}, "both ends are the same point"),
    ],
)
def test_a_distance_that_can_not_be_stated_says_why(plain, start, end, sentence):
    size, notes = distance(plain, start, end)
    assert size is None
    assert len(notes) == 1 and sentence in notes[0]


def test_planes_that_lean_have_no_distance(plain):
    planes = {plane.kind: plane.number for plane in plain.frame.room.planes}
    size, notes = distance(plain, {"plane": planes["floor"]}, {"plane": planes["left wall"]})
    assert size is None and "lean 90 degrees against each other" in notes[0]


def test_a_room_without_a_floor_has_no_sizes(plain):
    frame = part_results.frame([0, 0, 0], [1, 1, 1])
    bare = Shell(plain.points_mm, plain.normals, 10.0, frame, plain.poses, plain.scale, SCAN)
    assert room_sizes.find(bare, 900.0) == ([], ["The room's sizes can't be stated: no floor was found."])
    assert rigid.angle_deg(frame.T_vehicle_control) == 0.0
