"""Short words of stages' results, kinds and methods, as messages; sentences of stages are messages already."""

from nightbay.core.language import phrase, say, stage_sentence

SURVEY = phrase("control survey")  # the name of its list of targets; the others have those of their segments
WORDS = frozenset((
    # what a file holds, and frames
    phrase("interior"), phrase("exterior and interior"),
    phrase("vehicle frame: X rearward, Y right, Z up"), phrase("vehicle frame, ISO 8855: X forward, Y left, Z up"),
    phrase("frame of the scan, without meaning"),
    # how a zero plane, a floor, a direction or the front was found
    phrase("ground plane"), phrase("floor plane"), phrase("tyre contact"), phrase("front axle"),
    phrase("midpoint of the front axle"), phrase("midpoint of the rear axle"), phrase("midpoint of the only axle"),
    phrase("midpoint of an axle between"), phrase("only axle"), phrase("named fiducials"),
    phrase("symmetry plane"), phrase("symmetry plane of the part"), phrase("middle between the side walls"),
    phrase("middle between two walls that are assumed to be the sides"), phrase("names of segments"),
    phrase("plane that is assumed to be the floor"), phrase("job sheet"), phrase("assumed"), phrase("kept"),
    # planes of a room, and walls
    phrase("floor"), phrase("roof"), phrase("left wall"), phrase("right wall"), phrase("front wall"),
    phrase("rear wall"), phrase("level surface"), phrase("upright surface"), phrase("sloping surface"),
    phrase("surface"), phrase("Left"), phrase("Right"), phrase("Front"), phrase("Rear"), phrase("Roof"),
    phrase("Floor"),
    # normals, and why points were removed
    phrase("measured"), phrase("estimated"), phrase("outlier"), phrase("cluster"), phrase("ground"),
    phrase("surroundings"), phrase("grazing"), phrase("ghost"), phrase("duplicate layer"),
    # methods, and causes of an uncertainty
    phrase("closures"), phrase("lengths against the segments"), phrase("scale bars"), phrase("temperature"),
    phrase("registration"), phrase("unscanned end"), phrase("open edge"), phrase("one mirror only"),
    phrase("noise"), phrase("drift"), phrase("support"), phrase("resolution"),
    phrase("frame"), phrase("centres"), phrase("scale"), phrase("flatness"), phrase("edge"), phrase("spacing"),
    phrase("unseen underbody"), phrase("inner sides of the tyres"), phrase("poorly measured surface"),
    phrase("tyres"), phrase("join"), phrase("alignment"), phrase("shape"),
    # materials of a body
    phrase("steel"), phrase("aluminium"), phrase("plastic"), phrase("mixed"),
))  # fmt: skip


def list_name(name: str) -> str:
    """The name of a list of targets in the language in use; names of segments are those of the shop."""
    return say(name) if name == SURVEY else name


def shown(text: str) -> str:
    """A word or a sentence of a result in the language in use."""
    return say(text) if text in WORDS else stage_sentence(text)
