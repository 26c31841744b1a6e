"""Notes of the stage frame on the stance of a vehicle: what moved, and what the model is made without."""

from nightbay.core.text_format import listing
from nightbay.stance.result import Movement, Stance


def notes(stance: Stance) -> list[str]:
    """One sentence for each segment that moved, for what was left out, and for panels that stood differently."""
    found = [_moved(moved, stance) for moved in stance.movements]
    for left in stance.left_out:
        size = f"{left.count} points of segment {left.segment} ({left.area_mm2 / 1e6:.2f} m²)"
        if left.where == "wheels":
            found.append(f"{size} are left out of the model: its wheels stood differently there.")
        else:
            found.append(f"{size} are left out of the model: a panel stood differently there.")
    return found


def _moved(moved: Movement, stance: Stance) -> str:
    largest = max(moved.wheels, key=lambda wheel: abs(wheel.rise_mm))
    way = "lower" if largest.rise_mm > 0 else "higher"
    return (
        f"In segment {moved.segment} the body stood {abs(largest.rise_mm):.1f} mm ± {2 * largest.sd_mm:.1f} mm {way} "
        f"on its wheels ({largest.wheel}) than in {listing(stance.used)}; wheels and ground come from these."
    )
