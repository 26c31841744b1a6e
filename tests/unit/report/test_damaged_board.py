"""Damaged files and hostile texts cost the board nothing but themselves."""

import json
from html.parser import HTMLParser

import pytest

from board_days import SIZE, rows, run
from nightbay.report import board


@pytest.mark.parametrize("left", ["", "[1]", "{}", '{"status": "ok", "result": {}}', '{"status": "rejected"}'])
def test_a_damaged_report_costs_no_other_job_its_row(day, left):
    day("alder")
    day("birch").write_text(left)
    result, html = run(day, ["alder", "birch"])
    birch, alder = result["jobs"]
    assert (alder["state"], birch["state"]) == ("complete", "failed")
    (sentence,) = birch["sentences"]
    assert sentence.startswith("The job's report can't be read (")
    assert birch["next_steps"] == ["Remove the folder results/birch/report and run the same command."]
    assert birch["next_steps"][0] in html


def test_a_lost_thumbnail_costs_no_other_job_its_row(day):
    day("alder")
    day("birch", thumbnail="lost.png")
    assert [row["state"] for row in run(day, ["alder", "birch"])[0]["jobs"]] == ["failed", "complete"]


@pytest.mark.parametrize(
    "left", ["", "[1]", "{}", '{"result": {"jobs": []}}', '{"result": {"reported": {"alder": 1}}}']
)
def test_a_board_before_that_can_t_be_read_is_no_board(day, left):
    day("alder")
    path = day.folder / board.JSON
    path.parent.mkdir(parents=True)
    path.write_text(left)
    assert rows(run(day, ["alder"])[0])["alder"]["changes"] == []


HOSTILE = "</style><script>alert(1)</script>\"'&\x1b[2J\x07\u202e\u200f\ud800\udcff" + "x" * 10_000


class Tags(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.attributes = [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [name for name, _ in attrs]


def tags(html):
    parser = Tags()
    parser.feed(html)
    return parser.tags, parser.attributes


def test_hostile_texts_change_nothing_but_themselves(day):
    """Titles, names, sentences of files may hold anything: markup, quotes, controls, bidi marks, 10 000 letters."""

    def made(text):
        size = {**SIZE, "name": text}
        day("alder", title=text, vehicle_class=text, sizes=[size], evidence=[text], joined=text, warnings=[text],
            reasons=[{"stage": "x", "segment": None, "sentence": text}], next_steps=[text])  # fmt: skip
        check = day.folder / "results/alder/release/alder.json"
        check.parent.mkdir(exist_ok=True)
        check.write_text(json.dumps({"result": {"verdict": text, "actions": [{"sentence": text}]}}))
        return board.board(day.folder, name=text, jobs=["alder"], refused={text: [text]}, notes=[text])

    (hostile, html), (_, plain) = made(HOSTILE), made("plain")
    assert tags(html) == tags(plain)
    assert html.encode() and json.dumps(hostile, ensure_ascii=False).encode()
    assert not {"\x1b", "\x07", "\u202e", "\u200f"} & set(html + json.dumps(hostile, ensure_ascii=False))
    assert r"\x1b[2J\x07\u202e\u200f\ud800\udcff" in hostile["jobs"][0]["title"]
