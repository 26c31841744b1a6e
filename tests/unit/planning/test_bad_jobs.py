"""One bad job refuses itself with a sentence; the good job beside it is planned as if it were alone."""

import json
import os
import re

import pytest
from snakemake.io import PeriodicityDetector

from nightbay.core import plain_file
from nightbay.core.errors import Rejected
from nightbay.planning import day, job_sheet, names, parameters, raw_files, yaml_file
from nightbay.planning import job as planned_job

DEFAULTS = yaml_file.read(parameters.CLASSES.parent / "config.yaml", "config.yaml")
SHEET = "vehicle_class: van\nunits: mm\n"


@pytest.fixture
def shop(tmp_path):
    """A day with one good job, ``good``."""
    add(tmp_path, "good")
    return tmp_path


def add(shop, name, sheet=SHEET, files=("raw/left.ply",)):
    """Add a job with some raw files; without a sheet where that is None. Returns its folder."""
    folder = shop / name
    for file in files:
        (folder / file).parent.mkdir(parents=True, exist_ok=True)
        (folder / file).write_text(f"content of {name} {file}")
    if sheet is not None:
        (folder / "job.yaml").write_text(sheet)
    return folder


def why_refused(shop, name="bad"):
    """The sentences on the one job that is refused, which a terminal and a UTF-8 file can take."""
    plan = day.plan(shop, DEFAULTS)
    assert list(plan.jobs) == ["good"]
    assert list(plan.refused) == [name]
    assert plan.tracebacks == []
    for text in (name, *plan.refused[name], *plan.notes):
        assert text.encode() and text.isprintable()
    return plan.refused[name]


def listed(path):
    return SHEET + f"parts: {{exterior: {{segments: {{bay: {path}}}}}}}\n"


@pytest.mark.parametrize(
    ("sheet", "sentence"),
    [
        (listed("."), "'parts.exterior.segments.bay' is '.'; a path inside the job's folder is needed"),
        (listed('"raw/a\\0.ply"'), "line 3: the character '\\x00' can't be printed: leave it out."),
        (listed('"raw/a\\ud800.ply"'), "line 3: the character '\\ud800' can't be printed"),
        (SHEET + 'title: "a\\ud800"\n', "line 3: the character '\\ud800' can't be printed"),
        (SHEET + '"a\\e": 1\n', "line 3: the character '\\x1b' can't be printed"),
        ('vehicle_class: "van\\0"\nunits: mm\n', "line 1: the character '\\x00' can't be printed"),
        (SHEET + f"note: {'[' * 300}{']' * 300}\n", "is nested too deep"),
        (SHEET + f"note: {'[' * 90}{']' * 90}\n", "'note' is [[[["),
        (SHEET + f"nominal_mm: {{length: {'9' * 5000}}}\n", "'nominal_mm.length' is \"9999"),
        (SHEET + "nominal_mm: {length: 2026-11-25}\n", "'nominal_mm.length' is \"2026-11-25\"; it must be a number"),
        (SHEET + "title: 2026\n", "'title' is 2026; it must be text."),
    ],
)
def test_a_sheet_that_no_one_expects(shop, sheet, sentence):
    add(shop, "bad", sheet)
    (said,) = why_refused(shop)
    assert said.startswith("bad/job.yaml") and sentence in said


def test_texts_of_all_languages_and_in_several_lines_are_sound(shop):
    add(shop, "good", SHEET + 'title: "Kombi é 車 \\U0001F697"\nnote: |\n  first\n  sec\tond\n')
    job = day.plan(shop, DEFAULTS).jobs["good"]
    assert job.sheet("report")["title"] == "Kombi é 車 \U0001f697" and "\n" in job.sheet("report")["note"]


@pytest.mark.parametrize("name", ["ab" * 20, "van-" + "0" * 20, "b" * 250])
def test_a_job_whose_name_the_night_can_t_carry(shop, name):
    add(shop, name)
    (said,) = why_refused(shop, name)
    assert said.startswith(f"'{name}' can't be the name of a job: it ") and said.endswith("; rename the folder.")


def test_a_segment_whose_name_the_night_can_t_carry(shop):
    add(shop, "bad", files=(f"raw/{'0' * 20}.ply", f"raw/{'ab-' * 81}.ply"))
    short, long = why_refused(shop)
    assert "ends with '0' 20 times over" in short
    assert "it has 243 letters and at most 236 leave room for the endings of its results" in long


def test_the_longest_names_fit_into_a_file_system(tmp_path):
    limit = os.pathconf(tmp_path, "PC_NAME_MAX")
    job = ("abcdefghijk" * 30)[: limit - names.ADDED_TO_JOB - 1] + "-"
    segment = ("abcdefghijk" * 30)[: limit - names.ADDED_TO_SEGMENT - 1] + "-"
    assert names.fault(job, tmp_path, names.ADDED_TO_JOB) is None
    assert names.fault(segment, tmp_path, names.ADDED_TO_SEGMENT) is None
    for file in (f"{job}.json.part", f"exterior.{segment}.json.part", f"interior.{segment}.json.part"):
        (tmp_path / file).write_text("")
    assert names.fault(job + "a", tmp_path, names.ADDED_TO_JOB)


def test_a_long_file_under_a_short_name_is_sound(shop):
    """No file can have its name with ``.targets.csv``, so it has no list; asking for one must not fail."""
    add(shop, "good", listed(f"raw/{'s' * 245}.ply"), files=(f"raw/{'s' * 245}.ply",))
    assert day.plan(shop, DEFAULTS).jobs["good"].parts["exterior"].segments["bay"].targets is None


@pytest.mark.parametrize(
    "name",
    [
        *("a" * 19, "a" * 20, "a" * 21, "a" * 120, "ba" * 20, "xba" + "ba" * 19, "left" * 19, "left" * 20),
        *("a" * 20 + "b", "0" * 19 + "10", "front-left", "ab" * 20 + "a", "0" * 19 + "1" * 19),
    ],
)
def test_just_the_names_that_snakemake_stops_for_are_refused(tmp_path, name):
    stops = PeriodicityDetector().is_periodic(name) is not None
    assert (names.fault(name, tmp_path, names.ADDED_TO_JOB) is not None) == stops


def test_names_that_are_not_utf_8(shop):
    os.mkdir(os.fsencode(shop) + b"/photos\xff")
    os.mkdir(os.fsencode(shop) + b"/b\xff")
    with open(os.fsencode(shop) + b"/b\xff/job.yaml", "w") as file:
        file.write(SHEET)
    with open(os.fsencode(shop) + b"/good/raw/p\xff.jpg", "w") as file:
        file.write("x")
    (said,) = why_refused(shop, "b\\udcff")
    assert said.startswith("'b\\udcff' can't be the name of a job")
    plan = day.plan(shop, DEFAULTS)
    assert plan.notes[0].startswith("The folder photos\\udcff holds no job.yaml")
    assert plan.jobs["good"].notes == ["good/raw/p\\udcff.jpg is skipped: no segment uses it."]


def test_escapes_in_names_can_t_steer_a_terminal(shop):
    (shop / "a\x1b[31m\u202e").mkdir()
    assert day.plan(shop, DEFAULTS).notes[0].startswith("The folder a\\x1b[31m\\u202e holds no job.yaml")


def test_a_job_sheet_that_is_a_pipe(shop):
    os.mkfifo(add(shop, "bad", None) / "job.yaml")
    (said,) = why_refused(shop)
    assert said == "bad/job.yaml can't be read: It is a pipe, a device or a socket, not a file."


def test_a_job_sheet_that_is_a_device_or_has_gigabytes(shop):
    folder = add(shop, "bad", None)
    (folder / "job.yaml").symlink_to("/dev/zero")
    assert "bad/job.yaml is a link that leads out of the job's folder" in why_refused(shop)[0]
    (folder / "job.yaml").unlink()
    with open(folder / "job.yaml", "wb") as file:
        file.truncate(8_000_000_000)
    assert "has 8000000000 bytes; at most 1000000 are allowed" in why_refused(shop)[0]


def test_raw_files_that_are_pipes_devices_or_rings_of_links(shop):
    raw = add(shop, "good", files=()) / "raw"
    os.mkfifo(raw / "front.ply")
    (raw / "rear.ply").symlink_to("/dev/zero")
    (raw / "roof.ply").symlink_to("roof.ply")
    job = day.plan(shop, DEFAULTS).jobs["good"]
    found = {one: job.sheet("intake", part="exterior", segment=one)["unreadable"] for one in ("front", "rear", "roof")}
    assert found["front"] == "good/raw/front.ply is not a file: name the export itself."
    assert "good/raw/rear.ply is a link that leads out of the job's folder" in found["rear"]
    assert found["roof"].startswith("good/raw/roof.ply can't be read (Too many levels of symbolic links)")


def deny(monkeypatch, *denied):
    """Take the permission to read these paths; the superuser can read everything, so chmod would not do."""

    def refusing(call):
        def called(path, *more, **named):
            if str(path) in map(str, denied):
                raise PermissionError(13, "Permission denied", str(path))
            return call(path, *more, **named)

        return called

    for name in ("listdir", "scandir", "stat"):
        monkeypatch.setattr(os, name, refusing(getattr(os, name)))


def test_folders_that_can_t_be_read(shop, monkeypatch):
    bad = add(shop, "bad")
    (shop / "lost+found").mkdir()
    whole = os.path.isdir
    deny(monkeypatch, shop / "lost+found", shop / "lost+found" / "job.yaml", bad, bad / "job.yaml")
    monkeypatch.setattr(os.path, "isdir", lambda path: str(path) in (str(bad), str(shop / "lost+found")) or whole(path))
    assert why_refused(shop) == ["bad/job.yaml can't be read: Permission denied."]
    assert day.plan(shop, DEFAULTS).notes == ["The folder lost+found can't be read (Permission denied) and is skipped."]


def test_a_raw_folder_that_can_t_be_read(shop, monkeypatch):
    add(shop, "bad")

    def files(folder, known=job_sheet._files):
        if folder == shop / "bad" / "raw":
            raise PermissionError(13, "Permission denied", str(folder))
        return known(folder)

    monkeypatch.setattr(job_sheet, "_files", files)
    assert why_refused(shop) == [
        "bad/raw can't be read (Permission denied): correct its permissions or copy the job again."
    ]


def test_a_folder_that_vanishes_while_the_day_is_planned(shop, monkeypatch):
    def read(path, name, known=yaml_file.read):
        if name == "bad/job.yaml":
            path.unlink()
        return known(path, name)

    add(shop, "bad")
    monkeypatch.setattr(job_sheet.yaml_file, "read", read)
    assert why_refused(shop) == ["bad/job.yaml can't be read: No such file or directory."]


@pytest.mark.parametrize("place", ["results/bad", "logs/bad", "benchmarks/bad", "results/bad/fuse"])
def test_a_file_where_a_night_keeps_its_results(shop, place):
    add(shop, "bad")
    (shop / place).parent.mkdir(parents=True)
    (shop / place).write_text("in the way")
    (said,) = why_refused(shop)
    assert said.startswith(f"{place} is not a folder that can be written to") and "move it away" in said


@pytest.mark.parametrize("place", ["results", "logs", ".snakemake"])
def test_a_file_where_a_night_keeps_the_results_of_all_jobs(shop, place):
    (shop / place).write_text("in the way")
    with pytest.raises(Rejected, match=f"{place} is not a folder that can be written to"):
        day.plan(shop, DEFAULTS)


@pytest.mark.parametrize("place", [".snakemake/pip-deployments", ".numba_config.yaml", "matplotlibrc"])
def test_what_would_steer_the_night_from_within_the_day(shop, place):
    (shop / place).parent.mkdir(exist_ok=True)
    (shop / place).write_text("")
    with pytest.raises(Rejected, match=f"{re.escape(place)} would be run or read as settings during the night"):
        day.plan(shop, DEFAULTS)


def test_a_day_that_can_t_be_read(shop, monkeypatch):
    deny(monkeypatch, shop)
    with pytest.raises(Rejected, match="can't be read .Permission denied.: correct its permissions"):
        day.plan(shop, DEFAULTS)


@pytest.mark.parametrize("where", ["_intake_sheet", "_report_sheet", "raw_mb", "settings"])
def test_a_fault_of_the_program_refuses_the_job_that_shows_it(shop, monkeypatch, where):
    sound = getattr(planned_job.Job, where)

    def broken(job, *arguments, **more):
        if job.name == "bad":
            raise KeyError("axle")
        return sound(job, *arguments, **more)

    add(shop, "bad")
    monkeypatch.setattr(planned_job.Job, where, broken)
    plan = day.plan(shop, DEFAULTS)
    assert list(plan.jobs) == ["good"]
    assert plan.refused == {
        "bad": [
            "bad can't be planned because of a fault in Nightbay (KeyError: 'axle'): report it with the log in "
            "logs/night; other jobs are not affected."
        ]
    }
    assert len(plan.tracebacks) == 1 and "Traceback" in plan.tracebacks[0] and "broken" in plan.tracebacks[0]


def test_a_plan_hashes_no_file_but_those_of_one_size(shop, monkeypatch):
    monkeypatch.setattr(raw_files, "sha256", lambda path: pytest.fail(f"{path} was read"))
    assert list(day.plan(shop, DEFAULTS).jobs) == ["good"]


@pytest.mark.parametrize(
    "store",
    [
        b"[1]", b"3", b"{", b"\xff", b"[" * 100_000, b'{"good/raw/left.ply": 1}', b'{"good/raw/left.ply": []}',
        b'{"good/raw/left.ply": {}}', b'{"good/raw/left.ply": {"stamp": 1, "sha256": "0"}}',
        b'{"good/raw/left.ply": {"stamp": [1, 2, 3]}}', b'{"good/raw/left.ply": {"stamp": [1, 2, 3], "sha256": 7}}',
    ],
)  # fmt: skip
def test_a_damaged_store_of_hashes_costs_only_time(shop, store):
    want = day.plan(shop, DEFAULTS).jobs["good"].sheet("intake", part="exterior", segment="left")
    (shop / ".nightbay").mkdir()
    (shop / ".nightbay" / "hashes.json").write_bytes(store)
    assert day.plan(shop, DEFAULTS).jobs["good"].sheet("intake", part="exterior", segment="left") == want


def test_a_hash_of_the_wrong_shape_is_not_believed(shop):
    """With the right stamp, it would stand in the parameters of a stage."""
    state = (shop / "good/raw/left.ply").stat()
    entry = {"stamp": [state.st_size, state.st_mtime_ns, state.st_ino], "sha256": {"a": 1}}
    (shop / ".nightbay").mkdir()
    (shop / ".nightbay" / "hashes.json").write_text(json.dumps({"good/raw/left.ply": entry}))
    found = day.plan(shop, DEFAULTS).jobs["good"].sheet("intake", part="exterior", segment="left")
    assert found["sha256"] == raw_files.sha256(shop / "good/raw/left.ply")


def test_a_refused_job_may_be_asked_for(shop):
    add(shop, "bad", "- a list\n")
    add(shop, "Van")
    plan = day.plan(shop, DEFAULTS, only=["good", "bad", "Van"])
    assert list(plan.jobs) == ["good"] and list(plan.refused) == ["Van", "bad"]


def test_a_plain_file_is_read_up_to_its_limit(tmp_path):
    (tmp_path / "a").write_bytes(b"12345")
    assert plain_file.read(tmp_path / "a", 5) == b"12345"
    assert plain_file.read(tmp_path / "a", 3) == b"1234"
    with pytest.raises(IsADirectoryError):
        plain_file.read(tmp_path, 3)
