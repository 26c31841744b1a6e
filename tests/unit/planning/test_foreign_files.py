"""Raw files that are not what they seem: links out of the job, devices, files that still grow, sheets that mislead."""

import os
import socket

import pytest

from nightbay.core.errors import Rejected
from nightbay.core.printable import LONGEST_WORD, printable, shortened
from nightbay.planning import day, parameters, raw_files, yaml_file
from nightbay.planning.raw_files import Hashes

DEFAULTS = yaml_file.read(parameters.CLASSES.parent / "config.yaml", "config.yaml")
SHEET = "vehicle_class: van\nunits: mm\n"


@pytest.fixture
def job(tmp_path):
    """The folder of a job in a day, with one raw file beside others."""
    raw = tmp_path / "day" / "job" / "raw"
    raw.mkdir(parents=True)
    (raw / "left.xyz").write_text("1 2 3\n")
    (raw.parent / "job.yaml").write_text(SHEET)
    (tmp_path / "private.txt").write_text("root:x:0:0\n")
    return raw.parent


def fault(job, file):
    return raw_files.fault(job.parent, f"job/{file}")


def test_links_within_the_job_and_hard_links_are_sound(job, tmp_path):
    (job / "raw" / "b.xyz").symlink_to("left.xyz")
    (job / "raw" / "c.xyz").symlink_to(job / "raw" / "left.xyz")
    os.link(tmp_path / "private.txt", job / "raw" / "d.xyz")
    assert [fault(job, f"raw/{name}.xyz") for name in ("left", "b", "c", "d")] == [None] * 4


def test_a_job_that_is_a_link_itself_is_sound(job):
    (job.parent / "other").symlink_to(job)
    assert raw_files.fault(job.parent, "other/raw/left.xyz") is None


@pytest.mark.parametrize("target", ["{private}", "../../../private.txt", "/etc/hostname", "/dev/zero", "/nowhere"])
def test_links_out_of_the_job_are_not_followed(job, tmp_path, target):
    (job / "raw" / "right.xyz").symlink_to(target.format(private=tmp_path / "private.txt"))
    said = "job/raw/right.xyz is a link that leads out of the job's folder: copy the file itself into the folder."
    assert fault(job, "raw/right.xyz") == said
    plan = day.plan(job.parent, DEFAULTS)
    assert plan.jobs["job"].sheet("intake", part="exterior", segment="right")["unreadable"] == said
    assert plan.jobs["job"].sheet("intake", part="exterior", segment="left")["unreadable"] is None


def test_a_folder_that_is_a_link_out_of_the_job(job, tmp_path):
    (tmp_path / "store").mkdir()
    (tmp_path / "store" / "a.xyz").write_text("1 2 3\n")
    (job / "raw" / "more").symlink_to(tmp_path / "store")
    assert "is a link that leads out of the job's folder" in fault(job, "raw/more/a.xyz")


def test_a_job_sheet_that_is_a_link_out_of_the_job(job, tmp_path):
    (job / "job.yaml").unlink()
    (job / "job.yaml").symlink_to(tmp_path / "private.txt")
    (said,) = day.plan(job.parent, DEFAULTS).refused["job"]
    assert said == "job/job.yaml is a link that leads out of the job's folder: copy the file itself into the folder."


def test_pipes_sockets_and_folders_are_never_opened(job):
    os.mkfifo(job / "raw" / "pipe.xyz")
    with socket.socket(socket.AF_UNIX) as bound:
        bound.bind(str(job / "raw" / "socket.xyz"))
    (job / "raw" / "folder.xyz").mkdir()
    for name in ("pipe", "socket", "folder"):
        assert fault(job, f"raw/{name}.xyz") == f"job/raw/{name}.xyz is not a file: name the export itself."
        assert Hashes(job.parent).of(f"job/raw/{name}.xyz")["sha256"] is None


def test_a_file_that_is_missing_and_a_ring_of_links(job):
    assert fault(job, "raw/a.xyz") == "job/raw/a.xyz does not exist: put it there or correct the job sheet."
    (job / "raw" / "ring.xyz").symlink_to("ring.xyz")
    assert "job/raw/ring.xyz can't be read" in fault(job, "raw/ring.xyz")


def test_a_file_of_more_than_any_scan_is_not_hashed(job):
    with open(job / "raw" / "right.xyz", "wb") as file:
        file.truncate(raw_files.LARGEST_BYTES + 1)  # a hole, which takes no space on the disk
    said = Hashes(job.parent).of("job/raw/right.xyz")["unreadable"]
    assert said == (
        "job/raw/right.xyz has 64000000001 bytes; at most 64000000000 are allowed: check that it is the right file, or "
        "export fewer points."
    )


def test_a_file_that_grows_while_it_is_hashed(job, monkeypatch):
    real = raw_files.sha256

    def grow(path):
        with open(path, "ab") as file:
            file.write(b"4 5 6\n")
        return real(path)

    monkeypatch.setattr(raw_files, "sha256", grow)
    entry = Hashes(job.parent).of("job/raw/left.xyz")
    assert entry["sha256"] is None and entry["unreadable"] == (
        "job/raw/left.xyz is still being written (6 bytes, then 12): wait until it is copied completely, then run the "
        "same command again."
    )
    monkeypatch.undo()
    assert Hashes(job.parent).of("job/raw/left.xyz")["unreadable"] is None


@pytest.mark.parametrize(
    ("sheet", "sentence"),
    [
        (SHEET + "title: a\u202eb\n", "line 3: the character '\\u202e' can't be seen and turns the text beside it"),
        (SHEET + 'note: "a\\u200fb"\n', "line 3: the character '\\u200f' can't be seen and turns the text beside it"),
        (SHEET + f"{'k' * 900}: 1\n", "unknown key 'kkkk"),
        (SHEET + f"nominal_mm: {{length: {'9' * 4000}.0}}\n", "'nominal_mm.length' is inf; a finite number is needed"),
        (SHEET + "nominal_mm: {length: 5_000}\n", "'nominal_mm.length' is \"5_000\"; it must be a number"),
        (SHEET + "nominal_mm: {length: \u0665\u0660}\n", "it must be a number"),
        (SHEET + 'identity: {vin: "ABCDEFGH123456789\\n"}\n', "'identity.vin' is"),
        (SHEET + 'identity: {scanned_on: "2026-11-25\\n"}\n', "'identity.scanned_on' is"),
        *(
            (SHEET + f"parameters: {{reduce: {{levels: {{{name}: {{faces: 5000}}}}}}}}\n", sentence)
            for name, sentence in (
                ("a" * 300, "at most 30 characters are allowed"),
                ('"light\\n"', "a name is a small letter, then small letters and digits, and not `full`"),
                ("\u0661a", "a name is a small letter"),
            )
        ),
    ],
)
def test_sheets_whose_texts_mislead_or_have_no_end(job, sheet, sentence):
    (job / "job.yaml").write_text(sheet)
    (said,) = day.plan(job.parent, DEFAULTS).refused["job"]
    assert sentence in said and said.isprintable() and len(said) < 600


def test_a_refusal_shows_what_can_t_be_seen_and_cuts_what_has_no_end():
    said = str(Rejected(f"a.xyz: '\x1b[31m\u202e\n{'9' * 4000}' is not a number."))
    assert said.startswith("a.xyz: '\\x1b[31m\\u202e\\n999") and said.endswith(" is not a number.")
    assert "… (40" in said and len(said) < 200
    name = "n" * 255
    assert shortened(f"{name}/{name[:100]}") == f"{name}/{name[:100]}" and len(shortened("n" * (LONGEST_WORD + 1))) < 80
    assert printable("Kombi é 車 \U0001f697") == "Kombi é 車 \U0001f697"
