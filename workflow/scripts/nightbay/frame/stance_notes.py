"""Notes of the stage frame on the stance of a vehicle: what moved, and what the model is made without."""

from nightbay.core.text_format import listing
from nightbay.stance.result import Movement, Stance


def notes(stance: Stance) -> list[str]:
    """One sentence for each segment that moved, for what was left out, and for panels that stood differently."""
    found = [_moved(moved, stance) for moved in stance.movements]
    for left in stance.left_out:
        square_metres = f"{left.area_mm2 / 1e6:.3f}"
        if left.where == "wheels":
            found.append(
                f"Segment {left.segment}: {left.count} points of its wheels ({square_metres} m²) are left out of the "
                "model, because the body stood differently on them."
            )
        elif left.where == "floor":
            found.append(
                f"Segment {left.segment}: {left.count} points of the floor ({square_metres} m²) are left out of the "
                "model, because something else was taken for the floor there."
            )
        else:
            found.append(
                f"Segment {left.segment}: {left.count} points of a panel ({square_metres} m²) are left out of the "
                "model, because it stood differently."
            )
    for each in stance.looked_through:
        found.append(
            f"Segment {each.segment}: {each.count} points ({each.area_mm2 / 1e6:.2f} m²) stand where segment "
            f"{each.through} looked through; they are in the model."
        )
    return found


def _moved(moved: Movement, stance: Stance) -> str:
    largest = max(moved.wheels, key=lambda wheel: abs(wheel.rise_mm))
    return (
        f"In segment {moved.segment} the body stood lower on its wheels by up to {largest.rise_mm:.1f} mm ± "
        f"{2 * largest.sd_mm:.1f} mm (minus: higher) than in {listing(stance.used)}; wheels and ground come from these."
    )
