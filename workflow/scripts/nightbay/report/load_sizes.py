"""The load sizes of a joined interior in words: the rows of their table."""

from dataclasses import dataclass

from nightbay.core.language import phrase, say
from nightbay.core.text_format import listing, mm, plus_minus
from nightbay.join.result import FLOOR_END_MM, Aperture, LoadSize, LoadSizes
from nightbay.report import result_words

SIZES = {
    "length_floor": phrase("Load length at floor height"),
    "length_belt": phrase("Load length at belt height"),
    "floor_height": phrase("Height of the load floor above the ground"),
}
OF_APERTURE = {
    "width": phrase("Clear width"),
    "height": phrase("Clear height"),
    "sill_height": phrase("Height of the lower edge above the ground"),
    "width_floor": phrase("Width at floor height"),
    "width_belt": phrase("Width at belt height"),
}
FRONT_EDGE = {
    "front axle": phrase("Front edge behind the front axle"),
    "zero X": phrase("Front edge behind zero X"),
}
ENDS = {
    ("wall", "wall"): phrase("along X, from the front wall to the rear wall"),
    ("wall", "open end"): phrase("along X, from the front wall to the open rear end"),
    ("open end", "wall"): phrase("along X, from the open front end to the rear wall"),
    ("open end", "open end"): phrase("along X, from the open front end to the open rear end"),
}
APERTURES = {
    "left": phrase("Aperture in the left side of the vehicle"),
    "right": phrase("Aperture in the right side of the vehicle"),
    "front": phrase("Aperture in the front of the load bay"),
    "rear": phrase("Aperture in the rear of the vehicle"),
}
OPEN_ENDS = {
    "left": phrase("Open left end of the load bay"),
    "right": phrase("Open right end of the load bay"),
    "front": phrase("Open front end of the load bay"),
    "rear": phrase("Open rear end of the load bay"),
}


@dataclass(frozen=True)
class Row:
    """A row of the table: what is stated, its value with uncertainty, and what it means; ``group``: a heading row."""

    title: str
    value: str
    meaning: str
    group: bool = False


def rows(load: LoadSizes) -> list[Row]:
    """The rows of the table: the load bay, then each aperture with its own heading."""
    found = [_row(say(SIZES[name]), size, _meaning(size)) for name, size in load.sizes.items()]
    for aperture in load.apertures:
        found.append(Row(_title(aperture), "", "", group=True))
        for name, size in aperture.sizes.items():
            title = FRONT_EDGE[load.x_from] if name == "front_edge" else OF_APERTURE[name]
            found.append(_row(say(title), size, ""))
    return found


def _title(aperture: Aperture) -> str:
    """The heading of an aperture, with the name that it has among the sizes of the room."""
    if aperture.wall is None:
        return say(OPEN_ENDS[aperture.side])
    return say(
        "{aperture} (opening {number}, {wall}, in the sizes of the room)",
        aperture=say(APERTURES[aperture.side]),
        number=aperture.number,
        wall=result_words.shown(aperture.wall),
    )


def _meaning(size: LoadSize) -> str:
    if size.ends is None:
        return say("at its rear end, over its last {depth}", depth=mm(FLOOR_END_MM, 0))
    return say(ENDS[size.ends[0], size.ends[1]])


def _row(title: str, size: LoadSize, meaning: str) -> Row:
    if size.unknown:
        causes = listing([result_words.shown(cause) for cause in size.unknown])
        missing = say("not in the uncertainty: {causes}", causes=causes)
        meaning = f"{meaning}; {missing}" if meaning else missing
    return Row(title, plus_minus(size.value_mm, size.uncertainty_mm), meaning)
