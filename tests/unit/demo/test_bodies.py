"""Bodies of the demo: dimensions, closed hulls, materials; the Ahmed body against its published numbers."""

import numpy as np
import pytest
import trimesh

import ahmed
import bodies
import loadbay
import shapes
import shell
import vehicles
import viewpoints

COARSE_MM = 3.0  # chord error, for speed; dimensions come from the mesh and stay exact


@pytest.fixture(scope="module")
def compact():
    return vehicles.compact(COARSE_MM)


def test_compact_has_the_dimensions_it_states(compact):
    sizes, low, high = compact.dimensions_mm, *compact.bounds_mm
    assert sizes["length"] == pytest.approx(high[0] - low[0], abs=1e-9)
    assert sizes["height"] == pytest.approx(high[2], abs=1e-9)
    assert low[2] == 0  # tyres stand on the ground
    # what the job sheet calls nominal; the faces lie up to their chord error inside the smooth shape
    nominal = {"length": 4000, "width": 1750, "height": 1500, "wheelbase": 2520}
    for name, value in nominal.items():
        assert sizes[name] == pytest.approx(value, abs=2 * COARSE_MM)
    # mirrors stand out beyond the width
    assert high[1] - low[1] > sizes["width"] + 100
    assert sizes["antenna_top"] < sizes["height"] - 10


def test_compact_is_made_of_all_materials(compact):
    area = np.bincount(compact.material, trimesh.triangles.area(compact.mesh.triangles), minlength=8) / 1e6
    # m2; glass and paint of a car of that size, wide bounds of common sense
    assert 8 < area[bodies.PAINT] < 20
    assert 1.5 < area[bodies.GLASS] < 4
    assert area[[bodies.TRIM, bodies.CHROME, bodies.RUBBER]].min() > 0.1
    assert area[[bodies.GROUND, bodies.SURROUNDINGS]].max() == 0


def test_tyres_stand_under_the_axles(compact):
    rubber = compact.vertices_mm[np.unique(compact.faces[compact.material == bodies.RUBBER])]
    touching = rubber[rubber[:, 2] == 0]
    for axle in compact.dimensions_mm["axles"]:
        near = touching[np.abs(touching[:, 0] - axle) < 300]
        assert near[:, 0].mean() == pytest.approx(axle, abs=1.0)
        assert near[:, 1].min() < 0 < near[:, 1].max()


def test_antenna_is_a_rod_of_6_mm(compact):
    rod = compact.mesh.split(only_watertight=True)
    thin = [part for part in rod if np.sort(part.bounding_box_oriented.primitive.extents)[1] < 6.5]
    assert len(thin) == 1
    assert np.sort(thin[0].bounding_box_oriented.primitive.extents)[:2] == pytest.approx([6.0, 6.0], abs=0.2)


def test_skin_is_closed_and_cut_skin_too():
    skin = vehicles._skin_mesh(shapes.COMPACT, 0.0, COARSE_MM)
    assert skin.is_watertight and skin.is_winding_consistent and skin.volume > 0
    tool = shell.prism(shell.rectangle((500, 400), (900, 800), 40), 700, 1000, vehicles.ALONG_Y)
    cut = shell.minus(skin, tool)
    assert cut.is_watertight
    assert 0 < skin.volume - cut.volume < tool.volume


def test_load_bay_opens_to_the_rear():
    bay = loadbay.load_bay(COARSE_MM)
    assert bay.dimensions_mm == {"length": 3000.0, "width": 1760.0, "height": 1780.0}
    inside = np.array([[2800.0, 0.0, 1500.0]])
    ways = np.array([[-1.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1]])
    distance, _ = viewpoints.cast(viewpoints.caster(bay), np.repeat(inside, len(ways), axis=0), ways)
    assert np.isfinite(distance).tolist() == [True, False, True, True, True, True]


def test_wrap_follows_a_sphere_within_its_chord():
    mesh = shell.wrap(
        lambda p: np.linalg.norm(p, axis=1) - 200.0, *shell.grid_box((-150,) * 3, (150,) * 3, 60.0), chord_mm=0.5
    )
    assert mesh.is_watertight
    assert np.abs(np.linalg.norm(mesh.vertices, axis=1) - 200).max() < 1e-6
    middle = mesh.vertices[mesh.edges_unique].mean(axis=1)
    assert 200 - np.linalg.norm(middle, axis=1).min() < 0.5
    # a closed mesh inside the sphere: 4/3 pi r^3, less at most a shell of the chord error
    assert mesh.volume == pytest.approx(4 / 3 * np.pi * 200**3, rel=3 * 0.5 / 200)


def test_prism_and_ring_have_their_volume():
    outline = shell.rectangle((0, 0), (400, 300), 50)
    # what a rectangle lacks that is rounded off by quarter circles of five edges each
    turn = np.pi / 10
    corners = (4 - np.pi) * 50**2 + 20 * 50**2 / 2 * (turn - np.sin(turn))
    prism = shell.prism(outline, -10, 90)
    assert prism.is_watertight
    assert prism.volume == pytest.approx((400 * 300 - corners) * 100, rel=1e-9)
    ring = shell.ring(outline, 5.0, -10, 90)
    assert ring.is_watertight
    length = 2 * (300 + 200) + 2 * np.pi * 50
    assert ring.volume == pytest.approx(length * 5 * 100 - np.pi * 5**2 * 100, rel=2e-2)


# Ahmed body: S. Ahmed, G. Ramm, G. Faltin, SAE 840300 (1984), numbers as read in public case files
@pytest.mark.parametrize(
    ("slant_deg", "drop", "run", "base"), [(25, 93.821, 201.200, 194.179), (35, 127.334, 181.852, 160.666)]
)
def test_ahmed_body_against_published_numbers(slant_deg, drop, run, base):
    body = ahmed.ahmed_body(slant_deg)
    low, high = body.bounds_mm
    assert (high - low) == pytest.approx([1044.0, 389.0, 338.0], abs=1e-3)
    assert low[0] == pytest.approx(-202.0, abs=1e-3) and low[2] == pytest.approx(0.0, abs=1e-6)
    hull = body.vertices_mm[np.unique(body.faces[body.material == bodies.PAINT])]
    assert hull[:, 2].min() == pytest.approx(50.0, abs=1e-3)
    rear = hull[np.abs(hull[:, 0] - high[0]) < 1e-3]
    # the sources print three decimals
    assert rear[:, 2].max() - 50.0 == pytest.approx(base, abs=1e-3)
    assert high[2] - rear[:, 2].max() == pytest.approx(drop, abs=1e-3)
    top = hull[np.abs(hull[:, 2] - high[2]) < 1e-3]
    assert high[0] - top[:, 0].max() == pytest.approx(run, abs=1e-3)
    legs = body.vertices_mm[np.unique(body.faces[body.material == bodies.TRIM])]
    assert np.unique(np.round(np.abs(legs[legs[:, 2] < 1e-6][:, 1]).mean(), 3)) == pytest.approx(163.5, abs=0.01)
    assert body.dimensions_mm["wheelbase"] == 672 - 202


def test_ahmed_hull_is_closed_with_its_volume_and_frontal_area():
    body = ahmed.ahmed_body(25)
    hull = trimesh.Trimesh(body.vertices_mm, body.faces[body.material == bodies.PAINT], process=False)
    hull.remove_unreferenced_vertices()
    assert hull.is_watertight
    # frontal area 0.112032 m2 (recomputed from the published width and height)
    forward = np.maximum(-hull.face_normals[:, 0], 0) * hull.area_faces
    assert forward.sum() / 1e6 == pytest.approx(0.112032, rel=1e-5)
    # volume in closed form: box, less the slant's wedge, less the mitred front edges along each side
    box, wedge = 1044 * 389 * 288, 93.821 * 201.200 / 2 * 389
    x = np.linspace(0, 100, 200_001)
    inset = 100 - np.sqrt(100**2 - (100 - x) ** 2)
    front = np.trapezoid(389 * 288 - (389 - 2 * inset) * (288 - 2 * inset), x)
    # the arcs' edges cut segments off, at most along the whole outline of the front
    turn = np.pi / 2 / ahmed.ARC
    cut = ahmed.ARC * 100**2 / 2 * (turn - np.sin(turn)) * 2 * (389 + 288)
    assert 0 < box - wedge - front - hull.volume < cut


def test_join_keeps_faces_and_materials_together():
    first = bodies.box((0, 0, 0), (1, 1, 1), bodies.PAINT)
    second = bodies.box((5, 0, 0), (7, 1, 1), bodies.GLASS, (1, 2, 3))
    both = bodies.join([first, second])
    assert both.mesh.volume == pytest.approx(3.0)
    assert np.all(both.vertices_mm[both.faces[both.material == bodies.GLASS]][..., 0] >= 5)
    assert np.all(both.colour[both.material == bodies.GLASS] == (1, 2, 3))


def test_subdivide_keeps_the_surface():
    body = bodies.subdivide(bodies.box((0, 0, 0), (300, 200, 100), bodies.TRIM), 40.0)
    edges = body.mesh.edges_unique_length
    assert edges.max() <= 40.0
    assert body.mesh.is_watertight and body.mesh.volume == pytest.approx(6e6)
    assert len(body.material) == len(body.faces)
