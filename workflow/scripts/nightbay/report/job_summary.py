"""A job's results in the words of the report: its state, summary, warnings and main figures."""

from dataclasses import dataclass

from nightbay.core import text_format
from nightbay.core.text_format import known, listing, mm, number, plural, share
from nightbay.report import class_fit

COMPLETE, WARNED, REFUSED = "complete", "complete with warnings", "refused"
DIMENSIONS = {
    "length": "Length",
    "width": "Width",
    "width_over_mirrors": "Width over mirrors",
    "height": "Height",
    "height_body": "Height of the body",
    "wheelbase": "Wheelbase",
    "inner_length": "Inner length",
    "inner_width": "Inner width",
    "inner_height": "Inner height",
}


SIZES = {
    "length": "long",
    "width": "wide",
    "height": "high",
    "inner_length": "long inside",
    "inner_width": "wide inside",
    "inner_height": "high inside",
}


@dataclass(frozen=True)
class Part:
    """One part of a job: ``stages`` {name: Upstream}, ``segments`` {segment: {"intake": Upstream, "clean": …}}."""

    name: str
    stages: dict
    segments: dict

    def result(self, stage):
        """A stage's numbers; empty where it was not run or refused."""
        one = self.stages.get(stage)
        return one.result if one is not None and one.status == "ok" else {}

    @property
    def everything(self):
        """All upstream results of the part, in the order of the stages."""
        of_segments = [one[stage] for stage in ("intake", "clean") for one in self.segments.values() if stage in one]
        return of_segments + list(self.stages.values())

    @property
    def reasons(self):
        """Why the part was refused, each sentence once: {"stage", "segment", "sentence"}."""
        found = []
        for one in self.everything:
            found += [reason for reason in one.reasons if one.status != "ok" and reason not in found]
        return found

    @property
    def notes(self):
        """What stages noted: (stage, segment or None, sentence), each sentence once."""
        found = []
        for one in self.everything:
            found += [(one.stage, one.segment, note) for note in one.notes]
        return list(dict.fromkeys(found))

    @property
    def points(self):
        """Points that the surface was made of; None where none was made."""
        kept = [one["clean"].result.get("kept") for one in self.segments.values() if "clean" in one]
        return sum(kept) if kept and all(known(count) for count in kept) else None


def parts_of(upstream):
    """The :class:`Part` of each part of a job, exterior first."""
    names = sorted({one.part for stage in upstream.values() for one in stage})
    parts = []
    for name in names:
        stages = {
            stage: one for stage, found in upstream.items() for one in found if one.part == name and one.segment is None
        }
        segments = {}
        for stage, found in upstream.items():
            for one in found:
                if one.part == name and one.segment is not None:
                    segments.setdefault(one.segment, {})[stage] = one
        parts.append(Part(name, stages, dict(sorted(segments.items()))))
    return parts


def state_of(parts, warnings):
    """One of the words for a job's state."""
    if all(part.reasons for part in parts):
        return REFUSED
    return WARNED if warnings else COMPLETE


def warnings_of(parts, sheet):
    """Sentences on what a customer must know before using what was made; none where nothing was."""
    found = []
    for part in parts:
        if not part.reasons:
            found += _made_warnings(part, sheet)
        elif not all(one.reasons for one in parts):
            found.append(f"The {part.name} was refused; the rest of the job was made without it.")
    return found


def _made_warnings(part, sheet):
    """Sentences on what a customer must know before using the model of a part."""
    found = []
    for segment, stages in part.segments.items():
        taken = stages["intake"].result if "intake" in stages else {}
        if taken.get("step_outweighs_noise"):
            found.append(
                f"The coordinates of segment {segment} were rounded to steps of {mm(taken['step_mm'], 2)}. The rounding "
                "error exceeds the scanner's noise, and the model has terraces of that height."
            )
    frame = part.result("frame")
    if part.name == "exterior" and frame.get("state") not in (None, "vehicle"):
        kept = [axis.upper() for axis, plane in frame["zero_planes"].items() if plane["found_by"] == "kept"]
        stay = "stays" if len(kept) == 1 else "stay"
        found.append(f"The vehicle frame is incomplete: zero {listing(kept)} {stay} as scanned.")
    front = frame.get("heading", {})
    if front.get("assumed") and front.get("found_by") != "kept":
        found.append(
            "Which end is the front was inferred from the shape alone; state it in the job sheet (parts, axes, forward)."
        )
    found += _network_warnings(part.result("network")) + _contradictions(part.result("refine").get("contradiction"))
    dimensions = part.result("measure").get("dimensions", {})
    misfit = class_fit.warning(part.name, dimensions, sheet.get("vehicle_class"), sheet.get("extents_mm", {}))
    found += [misfit] if misfit else []
    for name, one in dimensions.items():
        if one and one.get("unscanned_ends"):
            beyond = max(end["beyond_mm"] for end in one["unscanned_ends"])
            found.append(
                f"{DIMENSIONS.get(name, name)} may be larger by about {mm(beyond, 1)}: one end of it was not scanned; "
                "see the notes."
            )
        if one and one.get("significant"):
            found.append(
                f"{DIMENSIONS.get(name, name)} differs from its nominal value by "
                f"{mm(one['difference_mm'], 1, sign=True)}, beyond its uncertainty of {mm(one['uncertainty_mm'], 1)}."
            )
    for level, numbers in part.result("reduce").get("levels", {}).items():
        if numbers.get("edges_of_many_faces") or numbers.get("edges_of_one_direction"):
            found.append(f"Level {level} of the model is not manifold.")
    return found


def _network_warnings(network):
    """What the targets show of the vehicle and the scanner."""
    found = [
        f"Something moved by {mm(move['body']['size_mm'])} between the control survey and segment {move['segment']}: "
        "the vehicle on its suspension, a door or a lid; see the notes."
        for move in network.get("moved_groups", [])
    ]
    found += [
        f"Scale bar {bar['from_id']}–{bar['to_id']} is off by {mm(bar['difference_mm'], 3, sign=True)}, more than the "
        "uncertainties allow."
        for bar in network.get("scale_bars", [])
        if not bar["passed"]
    ]
    factor = network.get("variance_factor")
    if factor and factor["variance_factor"] > factor["high"]:
        found.append("The target lists agree worse than declared; the uncertainties were enlarged to match.")
    return found


def _contradictions(found):
    """Segments that do not agree with the others in their final poses, or have nothing to agree with."""
    if not found:
        return []

    cell_mm2 = found["cell_mm"] ** 2
    sentences = [
        f"Segment {one['segment']} contradicts the other segments: about "
        f"{text_format.area(one['contradicting_cells'] * cell_mm2)} of surface, its own and theirs, stands where the other scan "
        f"looked through or is offset from it, and {text_format.area(one['agreeing_cells'] * cell_mm2)} agrees. Its file or its "
        "pose is wrong, or something on the vehicle had moved. Inspect this segment before you use the model."
        for one in found["doubted"]
    ]
    return sentences + [
        f"Segment {name} overlaps no surface of another segment: its targets alone determine its pose."
        for name in found["isolated"]
    ]


def summary_of(part):
    """Two or three sentences on a part that was made."""
    if part.reasons:
        return f"The {part.name} could not be made: {part.reasons[0]['sentence']}"
    size = [
        f"{'at least ' if one.get('unscanned_ends') else ''}{number(one['value_mm'])}{text_format.THIN}mm {word}"
        for name, word in SIZES.items()
        if (one := part.result("measure").get("dimensions", {}).get(name))
    ]
    wheelbase = part.result("measure").get("dimensions", {}).get("wheelbase")
    if wheelbase:
        size.append(f"wheelbase {number(wheelbase['value_mm'])}{text_format.THIN}mm")
    made = f"The {part.name} was made from {plural(len(part.segments), 'segment')}"
    made += f" and {number(part.points / 1e6, 1)} million points" if part.points else ""
    sentences = [made + (": " + ", ".join(size) if size else "") + "."]
    gaps = part.result("refine").get("discrepancies")
    if gaps:
        worst = max(gaps, key=lambda row: row["after"]["rms_mm"])
        sentences.append(
            f"Overlapping segments agree within {mm(worst['after']['rms_mm'])} (root mean square of the worst pair, "
            f"{listing(worst['segments'])})."
        )
    fill = part.result("fill")
    if fill:
        filled_share = fill["filled_area_mm2"] / max(fill["filled_area_mm2"] + fill["measured_area_mm2"], 1e-9)
        sentences.append(
            f"Small gaps closed and marked: {number(fill['gaps'])}, {share(filled_share, 2)} of the surface. Openings left: "
            f"{number(fill['open']['count'])}."
        )
    return " ".join(sentences)


def figures_of(parts):
    """The main figures of a job for the board and the table: a short text."""
    texts = []
    for part in parts:
        sizes = [part.result("measure").get("dimensions", {}).get(name) for name in ("length", "width", "height")]
        if all(sizes):
            least = ["\u2265" if one.get("unscanned_ends") else "" for one in sizes]
            texts.append(" x ".join(f"{a}{one['value_mm']:.1f}" for a, one in zip(least, sizes, strict=True)) + " mm")
        gaps = part.result("refine").get("discrepancies")
        if gaps:
            texts.append(f"overlaps {max(row['after']['rms_mm'] for row in gaps):.2f} mm rms")
    return ", ".join(texts)


def openings_in_views(openings, convention, low_mm, high_mm, most):
    """Which view shows each of the largest openings best: {view: [(number, centre)]}, numbered from 1."""
    middle = [(a + b) / 2 for a, b in zip(low_mm, high_mm, strict=True)]
    forward = -1.0 if convention == "design_grid" else 1.0
    views = {}
    for at, one in enumerate(openings[:most], 1):
        if one["kind"] != "large":  # the rim of a sheet runs about everything: its centre shows nothing
            continue
        dx, dy, dz = one["size_mm"]
        x, y, _ = one["centre_mm"]
        faces = {"side": dx * dz, "end": dy * dz, "top": dx * dy}
        best = max(faces, key=faces.get)
        if best == "side":  # left is negative Y in the design grid, positive Y in ISO 8855
            best = "left" if (y - middle[1]) * forward > 0 else "right"
        elif best == "end":
            best = "front" if (x - middle[0]) * forward > 0 else "rear"
        views.setdefault(best, []).append((at, one["centre_mm"]))
    return views
