"""What a job sheet orders of the Ahmed body, so that each dimension of the handbook is measured as a feature.

Lengths are those of :mod:`ahmed`, places are in its frame: X = 0 at the front legs, Y = 0 in the middle, Z = 0 on the
ground.
"""

import numpy as np

import ahmed
import bodies
import viewpoints
from nightbay.core import rigid

NOSE_X = -ahmed.LEGS_X[0]
REAR_X = NOSE_X + ahmed.LENGTH
TOP_Z = ahmed.CLEARANCE + ahmed.HEIGHT
SIDE_Y = ahmed.WIDTH / 2
MIDDLE_X, MIDDLE_Z = NOSE_X + 450.0, ahmed.CLEARANCE + ahmed.HEIGHT / 2  # of the flat sides
LEGS = {  # name: number of its distance behind the nose, side
    "front left leg": (0, 1),
    "front right leg": (0, -1),
    "rear left leg": (1, 1),
    "rear right leg": (1, -1),
}
EDGES = ("base lower edge", "left lower edge", "right lower edge")  # of the floor, 50 mm above the ground


def slant_mm(slant_deg: float) -> tuple[float, float]:
    """How far the slant runs rearwards and falls."""
    angle = np.radians(slant_deg)
    return float(ahmed.SLANT * np.cos(angle)), float(ahmed.SLANT * np.sin(angle))


def orders(slant_deg: float, T_found_true: np.ndarray) -> dict[str, list[dict]]:
    """ "features", "distances" and "angles" of the job sheet, with the handbook's values as nominal ones.

    ``T_found_true``: from the body's frame to that of the page, where a technician reads the places off.
    """
    features = [_moved(feature, T_found_true) for feature in (*_faces(slant_deg), *_round(), *_edges(slant_deg))]
    features.append({"name": "ground", "kind": "plane", "station": {"axis": "z", "value_mm": 0.0}})
    angle = {"name": "slant angle", "from": "slant", "to": "roof", "nominal_deg": slant_deg}
    return {"features": features, "distances": list(_distances(slant_deg)), "angles": [angle]}


def along_the_legs(body: bodies.Body, side: int, seed: int) -> viewpoints.Viewpoints:
    """The end of a capture run, at the height of the legs, from the left (``side`` 1) or the right (-1)."""
    aims = [
        (x + along, side * 1500.0, 140.0, x, y, ahmed.CLEARANCE / 2)
        for x in (0.0, ahmed.LEGS_X[1] - ahmed.LEGS_X[0])
        for y in (side * ahmed.LEG_Y, -side * ahmed.LEG_Y)
        for along in np.linspace(-900.0, 900.0, 13)
    ]
    origins, legs = np.split(np.array(aims), 2, axis=1)
    return viewpoints.aimed(body, origins, legs - origins, np.random.default_rng(seed))


def _faces(slant_deg):
    run, fall = slant_mm(slant_deg)
    for name, at, within, direction in (
        ("roof", (MIDDLE_X, 0, TOP_Z), 150.0, (0, 0, 1)),
        ("slant", (REAR_X - run / 2, 0, TOP_Z - fall / 2), 90.0, _leaning(slant_deg)),
        ("base", (REAR_X, 0, ahmed.CLEARANCE + 80.0), 70.0, (1, 0, 0)),
        ("nose", (NOSE_X, 0, MIDDLE_Z), 43.0, (-1, 0, 0)),
        ("left side", (MIDDLE_X, SIDE_Y, MIDDLE_Z), 110.0, (0, 1, 0)),
        ("right side", (MIDDLE_X, -SIDE_Y, MIDDLE_Z), 110.0, (0, -1, 0)),
        ("floor", (MIDDLE_X, 0, ahmed.CLEARANCE), 100.0, (0, 0, -1)),
    ):
        yield {"name": name, "kind": "plane", "at_mm": at, "within_mm": within, "direction": direction}


def _round():
    in_front = ahmed.RADIUS * (1.0 - np.sqrt(0.5))  # of the middle of a quarter cylinder, from either face it joins
    x, diameter = NOSE_X + in_front, 2.0 * ahmed.RADIUS
    # a quarter's chord is 1.41 radii long: the regions hold nothing of the flat faces beside it
    for name, at, within, axis, nominal in (
        ("upper front radius", (x, 0, TOP_Z - in_front), 60.0, (0, 1, 0), diameter),
        ("lower front radius", (x, 0, ahmed.CLEARANCE + in_front), 60.0, (0, 1, 0), diameter),
        ("left front radius", (x, SIDE_Y - in_front, MIDDLE_Z), 60.0, (0, 0, 1), diameter),
        ("right front radius", (x, in_front - SIDE_Y, MIDDLE_Z), 60.0, (0, 0, 1), diameter),
        *((name, _leg(name), 28.0, (0, 0, 1), ahmed.LEG_DIAMETER) for name in LEGS),
    ):
        yield {"name": name, "kind": "cylinder", "at_mm": at, "within_mm": within, "direction": axis,
               "nominal_mm": nominal}  # fmt: skip


def _edges(slant_deg):
    run, fall = slant_mm(slant_deg)
    # "direction" leaves out the roof, which leans little against the slant
    for name, at, within, direction in (
        ("slant upper edge", (REAR_X - run, 0, TOP_Z), 120.0, _leaning(slant_deg + 15.0)),
        ("slant lower edge", (REAR_X, 0, TOP_Z - fall), 100.0, _leaning(slant_deg)),
        ("base upper edge", (REAR_X, 0, TOP_Z - fall), 80.0, (1, 0, 0)),
        ("base lower edge", (REAR_X, 0, ahmed.CLEARANCE), 80.0, (1, 0, 0)),
        ("left lower edge", (MIDDLE_X, SIDE_Y, ahmed.CLEARANCE), 120.0, (0, 1, 0)),
        ("right lower edge", (MIDDLE_X, -SIDE_Y, ahmed.CLEARANCE), 120.0, (0, -1, 0)),
    ):
        yield {"name": name, "kind": "line", "at_mm": at, "within_mm": within, "direction": direction}


def _distances(slant_deg):
    behind, track = ahmed.LEGS_X[0], 2.0 * ahmed.LEG_Y
    apart = ahmed.LEGS_X[1] - behind
    for name, first, second, nominal in (
        ("length", "nose", "base", ahmed.LENGTH),
        ("width", "left side", "right side", ahmed.WIDTH),
        ("height", "ground", "roof", TOP_Z),
        ("slant length", "slant upper edge", "slant lower edge", ahmed.SLANT),
        ("base height", "base lower edge", "base upper edge", ahmed.HEIGHT - slant_mm(slant_deg)[1]),
        *((f"clearance by {edge}", "ground", edge, ahmed.CLEARANCE) for edge in EDGES),
        ("clearance by floor", "ground", "floor", ahmed.CLEARANCE),
        ("nose to front left leg", "nose", "front left leg", behind),
        ("nose to front right leg", "nose", "front right leg", behind),
        ("front legs apart", "front left leg", "front right leg", track),
        ("rear legs apart", "rear left leg", "rear right leg", track),
        ("left legs apart", "front left leg", "rear left leg", apart),
        ("right legs apart", "front right leg", "rear right leg", apart),
    ):
        yield {"name": name, "from": first, "to": second, "nominal_mm": nominal}


def _leg(name):
    number, side = LEGS[name]
    return NOSE_X + ahmed.LEGS_X[number], side * ahmed.LEG_Y, ahmed.CLEARANCE / 2


def _leaning(angle_deg):
    """Unit normal of a face that falls rearwards by an angle."""
    return np.sin(np.radians(angle_deg)), 0.0, np.cos(np.radians(angle_deg))


def _moved(feature, T_found_true):
    """A feature with its place and direction in the frame of the page, to a tenth of a millimetre."""
    at = rigid.transform(T_found_true, np.array([feature["at_mm"]], float))[0]
    direction = T_found_true[:3, :3] @ np.array(feature["direction"], float)
    return feature | {"at_mm": np.round(at, 1).tolist(), "direction": np.round(direction, 4).tolist()}
