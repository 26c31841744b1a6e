"""The load sizes of a joined interior on a job's page: rows, causes that are not known, and what can't be stated."""

from dataclasses import replace

import numpy as np
import pytest

from nightbay.core import language
from nightbay.core.text_format import THIN
from nightbay.join.result import Aperture, JoinResult, LoadSize, LoadSizes
from nightbay.report import load_sizes, part_page
from nightbay.report.joined import Joined
from typed_results import made

NO_GROUND = (
    "The height of the load floor can't be stated: the exterior shows no ground; scan the ground beside the vehicle "
    "with it."
)


def size(value_mm, unknown=(), ends=None):
    return LoadSize(value_mm, 0.4, 2, {}, list(unknown), np.zeros(3), np.zeros(3), ends)


LOAD = LoadSizes(
    {"length_floor": size(3000.0, ends=["wall", "open end"]), "floor_height": size(640.0)},
    [
        Aperture("left", "right wall", 1, {"width": size(1000.0), "front_edge": size(800.0, ["frame"])}),
        Aperture("rear", None, None, {"height": size(1800.0)}),
    ],
    "front axle",
    [],
)


def html_of(load, shop=True):
    result = replace(made(JoinResult, found_by="targets", rotation_sd_deg=np.zeros(3)), load=load)
    return part_page.render("join.html.j2", joined=Joined(result, [], [], {}), shop=shop, job="alder")


def test_each_size_has_its_row_and_each_aperture_the_side_of_the_vehicle():
    rows = load_sizes.rows(LOAD)
    assert [row.title for row in rows] == [
        "Load length at floor height", "Height of the load floor above the ground",
        "Aperture in the left side of the vehicle (opening 1, right wall, in the sizes of the room)", "Clear width",
        "Front edge behind the front axle", "Open rear end of the load bay", "Clear height",
    ]  # fmt: skip
    assert rows[0].value == f"3{THIN}000.00 ± 0.40{THIN}mm"
    assert rows[0].meaning == "along X, from the front wall to the open rear end"
    assert rows[4].meaning == "not in the uncertainty: frame"


def test_the_table_is_on_the_page_and_its_file_on_the_page_of_the_shop():
    assert "Load length at floor height" in html_of(LOAD)
    assert "load-sizes.csv" in html_of(LOAD) and "load-sizes.csv" not in html_of(LOAD, shop=False)


def test_what_can_not_be_stated_has_its_reason():
    html = html_of(LoadSizes({}, [], "zero X", [NO_GROUND]))
    assert "the exterior shows no ground" in html and "Load length" not in html


@pytest.mark.parametrize("ends", [["wall", "wall"], ["open end", "wall"], ["open end", "open end"]])
def test_every_pair_of_ends_has_words(ends):
    load = replace(LOAD, sizes={"length_belt": size(3000.0, ends=ends)}, x_from="zero X")
    assert load_sizes.rows(load)[0].meaning.startswith("along X, from the ")


def test_in_german():
    with language.use(language.of_code("de")):
        html = html_of(replace(LOAD, not_stated=[NO_GROUND]))
    assert "Ladelänge auf Bodenhöhe" in html and "Öffnung in der linken Seite" in html
    assert "zeigt keine Aufstandsfläche" in html and "ground" not in html
