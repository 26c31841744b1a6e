"""What the page says of a network: rendered from the numbers of a real one, with all that can happen to it."""

import re
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.text import Text

import marked_pages
import networks
from network_sheets import NOISE, listed_again, run, sheet
from nightbay.core import language
from nightbay.network.result import NetworkResult
from nightbay.pipeline import typed
from nightbay.report import network_picture, page


def result_of(job_sheet):
    numbers = run(job_sheet)
    del numbers["notes"]  # which the contract of a stage takes out
    return typed.read(NetworkResult, numbers)


def rendered(network):
    segments = dict.fromkeys(sorted(network.poses or {}) or ["left"])
    return page.render(
        "network.html.j2", network=network, part={"segments": segments}, entry={"network_picture": None}, refine=None
    )


@pytest.fixture
def eventful(tmp_path, monkeypatch):
    """A body that stood lower while the roof was scanned, a knocked target, two doubled ones, a bar that fails."""
    monkeypatch.chdir(tmp_path)
    rng = np.random.default_rng(23)
    truth = networks.body(rng, 60)
    survey, _, listed = networks.record(truth, np.arange(60), rng, name="control survey", T=np.eye(4), **NOISE)
    ids = [f"t{number}" for number in listed]
    survey = listed_again(survey, np.array([10, 20]), np.array([1.5, 1.0, 0.0]), [*ids, "again1", "again2"])
    lower = truth.xyz_mm.copy()
    lower[truth.xyz_mm[:, 2] >= -450, 2] -= 6.1
    segments = {}
    for name, xyz in (("left", truth.xyz_mm), ("right", truth.xyz_mm), ("roof", lower)):
        segments[name] = networks.record(networks.Truth(xyz, truth.normal), np.arange(60), rng, name=name, **NOISE)[0]
    knocked = segments["left"].xyz_mm.copy()
    knocked[7] += [0.0, 3.0, 0.0]
    segments["left"] = replace(segments["left"], xyz_mm=knocked)
    length = float(np.linalg.norm(truth.xyz_mm[3] - truth.xyz_mm[40])) + 2.0
    bar = {"from": "t3", "to": "t40", "length_mm": length, "sd_mm": 0.02}
    return result_of(sheet(tmp_path, survey, list(segments.values()), scale_bars=[bar]))


def test_all_that_happened_stands_on_the_page(eventful):
    html = rendered(eventful)
    (moved,) = eventful.moved_groups
    assert "<h4>What moved</h4>" in html and "&lt; 0.000001" in html
    assert f"{moved.body_targets} / {len(moved.targets)}</td>" in html
    assert '<th scope="row">left</th><td class="n">8</td>' in html  # the knocked one, eighth row of its file
    assert "2 pairs of survey targets" in html and "nearer than two targets can be" in html
    assert "Scale bar t3–t40" in html and "more than the uncertainties allow" in html
    for number in (eventful.check_targets.rms_mm, eventful.precision_rms_mm):
        assert f"{number:.3f}" in html
    assert f"{eventful.detectable_blunder.median_mm:.2f}" in html
    (drift,) = eventful.drift
    assert f"{drift.drift_mm_per_m:.3f} ± {drift.sd_mm_per_m:.3f} mm/m" in html
    assert f"{drift.effect_mm:.2f}" in html


def test_picture_has_every_tie_target_once_and_its_key(eventful):
    figure = network_picture.draw(eventful)
    broad, side, sightings = figure.axes
    ties = [target for target in eventful.targets if len(target.seen_by) >= 2]
    for axis in (broad, side):
        ellipses, key = axis.collections[:1] + [one for one in axis.collections if len(one.get_offsets()) == 1][:1]
        assert len(ellipses.get_offsets()) == len(ties)
        assert "95 % error ellipses enlarged" in axis.get_title() and "radius" in axis.texts[0].get_text()
    assert [label.get_text() for label in sightings.get_yticklabels()] == ["control survey", "left", "right", "roof"]
    counts = [len(one.get_offsets()) for one in sightings.collections]
    assert counts == [
        sum(name in target.seen_by for target in ties) for name in ("control survey", "left", "right", "roof")
    ]


def test_every_word_of_the_statistics_and_the_picture_is_a_message(eventful):
    own = {"left", "right", "roof", "t", "again"}
    with language.use(marked_pages.LANGUAGE):
        assert marked_pages.unmarked(rendered(eventful), own) == []
        figure = network_picture.draw(eventful)
    texts = [text.get_text() for text in figure.findobj(Text)]
    assert any("moved" in text for text in texts) and marked_pages.unmarked("\n".join(texts), own) == []


def test_the_picture_has_the_decimal_sign_of_the_language(eventful):
    with language.use(language.of_code("de")):
        figure = network_picture.draw(eventful)
        figure.draw_without_rendering()
    assert re.search(r"\b\d+,\d mm", figure.axes[0].texts[0].get_text()) is not None
    assert not any("." in text.get_text() for text in figure.findobj(Text))


def test_without_a_network_the_page_gives_the_reason(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    nothing = sheet(tmp_path, None, []) | {"segments": {"left": {"targets": None}}}
    assert "no segment has a list of targets" in rendered(result_of(nothing))
