"""The ways in which the vehicle frame can be found, side by side: rows of the page's table, and contradictions."""

from collections.abc import Iterator
from dataclasses import dataclass

from nightbay.core.language import phrase, say
from nightbay.core.text_format import listing, mm, number, plural
from nightbay.frame.result import Difference, FiducialResult, FrameResult, Way
from nightbay.report import result_words
from nightbay.report.next_step import JobWarning

K = 2.0  # coverage factor of the uncertainties that are shown
QUANTITIES = {
    "position": phrase("position"),
    "rotation about X": phrase("rotation about X"),
    "rotation about Y": phrase("rotation about Y"),
    "rotation about Z": phrase("rotation about Z"),
}


@dataclass(frozen=True)
class Row:
    """A way in the words of the page; ``differences`` from the plane in use, whether one is ``significant``."""

    plane: str
    way: str
    rests_on: str
    used: bool
    sd_mm: float
    differences: list[str]
    significant: bool


def rows(frame: FrameResult | None) -> list[Row]:
    """The rows of the table; none where no zero plane can be found in more than one way."""
    if frame is None or not any(not way.used for way in frame.ways):
        return []
    return [
        Row(
            way.plane.upper(),
            result_words.shown(way.found_by),
            _rests_on(way),
            way.used,
            way.sd_mm,
            [_in_words(entry) for entry in way.differences],
            any(entry.significant for entry in way.differences),
        )
        for way in frame.ways
    ]


def _rests_on(way: Way) -> str:
    """What a way rests on, in words."""
    match way.counted:
        case "segments":
            count = plural(way.count, "{count} segment", "{count} segments")
            return f"{count}: {listing(way.segments)}"
        case "wheels":
            return plural(way.count, "{count} wheel", "{count} wheels")
        case "fiducials":
            return plural(way.count, "{count} fiducial", "{count} fiducials")
    return plural(way.count, "{count} point", "{count} points")


def _value(entry: Difference) -> str:
    if entry.unit == "mm":
        return mm(entry.value, 2, sign=True)
    return f"{number(entry.value, 3, sign=True)}°"


def _uncertainty(entry: Difference) -> str:
    return mm(K * entry.sd, 2) if entry.unit == "mm" else f"{number(K * entry.sd, 3)}°"


def _in_words(entry: Difference) -> str:
    return say(
        "{quantity} {value} ± {uncertainty}",
        quantity=say(QUANTITIES[entry.quantity]),
        value=_value(entry),
        uncertainty=_uncertainty(entry),
    )


def warnings(frame: FrameResult | None) -> list[JobWarning]:
    """A sentence for each way that differs from the zero plane in use by more than a sound vehicle's would."""
    return [] if frame is None else list(_warnings(frame))


def _warnings(frame: FrameResult) -> Iterator[JobWarning]:
    for way in frame.ways:
        worst = [_in_words(entry) for entry in way.differences if entry.significant]
        if not worst:
            continue
        yield JobWarning(
            say(
                "Zero {plane} by the {used} and by the {other} contradict each other: {differences} (95 %).",
                plane=way.plane.upper(),
                used=result_words.shown(frame.zero_planes[way.plane].found_by),
                other=result_words.shown(way.found_by),
                differences=listing(worst),
            ),
            say(
                "Check the wheels, the ground and the fiducials of zero {plane} before you measure or mount anything "
                "from it.",
                plane=way.plane.upper(),
            ),
        )


def fiducials_in_words(frame: FrameResult) -> list[tuple[str, list[str]]]:
    """The fiducials, each with its differences from its nominal coordinates in words."""
    return [(result_words.shown(entry.name), _residuals_in_words(entry)) for entry in frame.fiducials]


def _residuals_in_words(entry: FiducialResult) -> list[str]:
    found = []
    for axis, value in entry.residual_mm.items():
        sd = entry.sd_mm[axis]
        if value is not None and sd is not None:
            found.append(f"{axis.upper()} {mm(value, 2, sign=True)} ± {mm(K * sd, 2)}")
    return found
