"""Which end of a vehicle is the front."""

import re

import numpy as np

WORDS = {"front": 1.0, "fore": 1.0, "nose": 1.0, "rear": -1.0, "aft": -1.0, "back": -1.0, "tail": -1.0}
LEAN_LOW, LEAN_HIGH = (
    0.3,
    0.87,
)  # Z of the normal of a surface that leans by 30 to 70 degrees: windscreen, bonnet's edge


def find(datum, seen, hints):
    """The front's direction along ``datum.along``: {sign, found_by, assumed, notes}.

    Said by the job sheet (``hints["forward"]``, a direction of the control frame), by the names of segments of the
    part, a :class:`~nightbay.frame.datum.Seen`, else by the shape.
    """
    if not datum.found("z"):
        return {"sign": 1.0, "found_by": "kept", "assumed": False, "notes": []}
    if "forward" in hints:
        cosine = float(hints["forward"] @ datum.along)
        notes = (
            []
            if abs(cosine) > np.cos(np.radians(30.0))
            else [
                f"The job sheet's forward axis lies {np.degrees(np.arccos(abs(cosine))):.0f} degrees off the vehicle's."
            ]
        )
        return {"sign": 1.0 if cosine >= 0 else -1.0, "found_by": "job sheet", "assumed": False, "notes": notes}
    x = seen.points_mm @ datum.along
    middle = (np.percentile(x, 1) + np.percentile(x, 99)) / 2
    votes = {}
    for at, name in enumerate(seen.names):
        words = [WORDS[word] for word in re.split(r"[^a-z]+", name.lower()) if word in WORDS]
        mine = x[seen.segment == at]
        if len(set(words)) == 1 and len(mine):
            votes[name] = words[0] * (mine.mean() - middle)
    total = sum(votes.values())
    if abs(total) > 0.1 * (x.max() - x.min()):
        sign = 1.0 if total > 0 else -1.0
        return {"sign": sign, "found_by": "names of segments", "assumed": False, "notes": []}
    if datum.inside:
        return _unknown(datum)
    return _by_shape(datum, seen.normals)


def _unknown(datum):
    """Seen from inside, no shape tells: X runs the way in which the control frame's nearest axis does."""
    main = datum.along[int(np.argmax(np.abs(datum.along)))]
    note = (
        "Which end is the front is not known: nothing but a segment named 'front' or 'rear', or axes.forward in the "
        "job sheet, can tell it of a part seen from inside."
    )
    return {"sign": 1.0 if main > 0 else -1.0, "found_by": "kept", "assumed": False, "notes": [note]}


def _by_shape(datum, normals):
    """Windscreen and bonnet give the front more leaning surface than the rear has."""
    lean = (normals @ datum.up > LEAN_LOW) & (normals @ datum.up < LEAN_HIGH)
    ahead = normals @ datum.along
    lean &= np.abs(ahead) > 2.0 * np.abs(normals @ datum.across)
    forward, rearward = np.count_nonzero(lean & (ahead > 0)), np.count_nonzero(lean & (ahead < 0))
    sign = 1.0 if forward >= rearward else -1.0
    share = max(forward, rearward) / max(forward + rearward, 1)
    note = (
        f"Which end is the front is assumed from the shape ({share:.0%} of the leaning surface faces that way); name a "
        "segment 'front' or 'rear', or give axes.forward in the job sheet, to be sure."
    )
    return {"sign": sign, "found_by": "shape", "assumed": True, "notes": [note]}
