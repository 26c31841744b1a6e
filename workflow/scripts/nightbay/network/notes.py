"""Sentences of the report on a network."""

from nightbay.network.scale_bars import REFERENCE_C


def notes(result, too_high, without):
    """Sentences for the report, on what a reader of its numbers should know."""
    sentences = []
    if result["mode"] == "free":
        sentences.append(
            "There is no control survey: segments hang on each other only, errors add up from one to the next, and no "
            "survey checks the whole."
        )
    if too_high:
        sentences.append(
            f"The target lists agree worse than declared (variance factor "
            f"{result['variance_factor']['variance_factor']:.2f}); all uncertainties were enlarged to match."
        )
    test = result["variance_factor"]
    if test and test["variance_factor"] < test["low"]:
        sentences.append(
            f"The target lists agree better than declared (variance factor {test['variance_factor']:.2f}): the "
            "declared noise is cautious, and the uncertainties were left as large as it makes them."
        )
    for move in result["moves"]:
        body = move["body"]
        x, y, z = body["vector_mm"]
        sentences.append(
            f"While segment {move['segment']} was scanned, the body stood {body['size_mm']:.2f} mm "
            f"(sd {body['size_sd_mm']:.2f}; X {x:+.2f}, Y {y:+.2f}, Z {z:+.2f} in the control frame) and "
            f"{body['angle_deg']:.3f} deg from where it stood against {len(move['targets'])} other targets in the "
            f"survey, which noise and drift alone would do {_rarely(move['p'])}; the body's targets were used."
        )
    for one in result["drift"]:
        if one["drift_mm_per_m"] - 2 * one["sd_mm_per_m"] > one["declared_mm_per_m"]:
            sentences.append(
                f"The lists drift by {one['drift_mm_per_m']:.3f} mm/m (sd {one['sd_mm_per_m']:.3f}; {one['method']}), "
                f"{one['effect_mm']:.2f} mm over {one['longest_mm'] / 1000:.1f} m and more than the "
                f"{one['declared_mm_per_m']:g} mm/m declared in scan.target_drift_mm_per_m."
            )
    undecided = [one for one in result["doubles"] if one["verdict"] == "undecided"]
    if undecided:
        sentences.append(
            f"{len(undecided)} pairs of survey targets may be one target each; too few segments saw them to tell."
        )
    if without:
        sentences.append(f"No list of targets came with {', '.join(without)}; surfaces have to register them.")
    return sentences


def _rarely(p):
    """A probability in words."""
    return "less than once in a million cases" if p < 1e-6 else f"once in {1 / max(p, 1e-6):.0f} cases"


def on_scale(result, sheet):
    """Sentences on scale bars and temperature, and on what lengths were multiplied by."""
    sentences = []
    for bar in result["scale_bars"]:
        if not bar["passed"]:
            sentences.append(
                f"Scale bar {bar['from']} to {bar['to']} measures {bar['difference_mm']:+.3f} mm beside its "
                f"certificate, {abs(bar['w']):.1f} times the uncertainty of both."
            )
    if sheet["scale_bars"] and not result["scale_bars"]:
        sentences.append("The scale bars were not measured, for there is no network of targets to find their ends in.")
    scale = result["scale"]
    if scale["applied"]:
        sentences.append(
            f"All lengths were multiplied by {scale['factor']:.6f} (standard uncertainty {1e3 * scale['sd']:.3f} "
            f"mm a metre), as the parameters ask: {' and '.join(scale['applied'])}."
        )
    elif scale["temperature"] and scale["temperature"]["temperature_c"] != REFERENCE_C:
        one = scale["temperature"]
        grown = 1e3 * (1 / one["factor"] - 1)
        sentences.append(
            f"Lengths are those at {one['temperature_c']:g} degrees Celsius; a body of {one['material']} is "
            f"{abs(grown):.3f} mm a metre {'longer' if grown >= 0 else 'shorter'} there than at 20 (ISO 1), standard "
            f"uncertainty {1e3 * one['sd']:.3f} mm a metre."
        )
    return sentences
