"""Job sheets: what a technician gets to read when one is wrong."""

import pytest

from nightbay.core.errors import Rejected
from nightbay.planning import job_sheet, validation, yaml_file

CLASSES = ["compact", "van"]
SOUND = "vehicle_class: van\nunits: mm\n"


@pytest.fixture
def job(tmp_path):
    """A function that writes a job folder with some raw files and reads its sheet."""

    def make(text, files=("raw/left.ply",), name="van"):
        for file in files:
            path = tmp_path / name / file
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(f"content of {file}")
        (tmp_path / name / "job.yaml").write_text(text)
        return job_sheet.read(tmp_path, name, CLASSES)

    return make


def faults(job, text, **options):
    with pytest.raises(job_sheet.Faults) as caught:
        job(text, **options)
    return caught.value.sentences


def test_what_can_be_discovered_need_not_be_written(job):
    sheet = job(
        SOUND,
        [
            "raw/left.PLY",
            "raw/roof.e57",
            "raw/left.targets.csv",
            "raw/control.txt",
            "raw/photo.jpg",
            "raw/interior/bay.xyz",
        ],
    )
    exterior = sheet.parts["exterior"]
    assert list(sheet.parts) == ["exterior", "interior"]
    assert list(exterior.segments) == ["left", "roof"]
    assert exterior.segments["left"].cloud.file == "van/raw/left.PLY"
    assert exterior.segments["left"].targets.file == "van/raw/left.targets.csv"
    assert exterior.segments["roof"].targets is None
    assert exterior.control_survey.file == "van/raw/control.txt"
    assert sheet.parts["interior"].control_survey is None
    assert sheet.notes == ["van/raw/photo.jpg is skipped: no segment uses it."]


def test_what_is_written_wins_over_what_is_found(job):
    sheet = job(
        SOUND
        + """
parts:
  exterior:
    control_survey: {file: raw/survey.txt, units: m, columns: [id, x, y, z]}
    segments:
      roof: {file: raw/b.ply, units: inch, targets: raw/b.csv}
      left: raw/a.ply
    placed: true
""",
        ["raw/a.ply", "raw/b.ply", "raw/b.csv", "raw/survey.txt", "raw/control.csv", "raw/c.ply"],
    )
    part = sheet.parts["exterior"]
    assert list(part.segments) == ["left", "roof"]
    assert (part.segments["left"].cloud.units, part.segments["roof"].cloud.units) == ("mm", "inch")
    assert part.control_survey.columns == ["id", "x", "y", "z"]
    assert part.control_survey.units == "m"
    assert part.placed


def test_null_says_that_there_is_no_survey_and_no_list(job):
    text = SOUND + "parts: {exterior: {control_survey: null, segments: {left: {file: raw/left.ply, targets: null}}}}\n"
    part = job(text, ["raw/left.ply", "raw/left.targets.csv", "raw/control.csv"]).parts["exterior"]
    assert part.control_survey is None
    assert part.segments["left"].targets is None


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "vehicle_clas: van\nvehicle_class: van\nunits: mm\n",
            "unknown key 'vehicle_clas' (did you mean 'vehicle_class'?).",
        ),
        ("units: mm\n", "lacks the key 'vehicle_class'"),
        ("vehicle_class: vann\nunits: mm\n", "'vehicle_class' is 'vann'; allowed are compact, van."),
        ("vehicle_class: van\nunits: km\n", "'units' is \"km\"; allowed are mm, cm, m, inch."),
        ("vehicle_class: van\n", "lacks the key 'units' for raw/left.ply: declare mm, cm, m or inch"),
        (SOUND + "nominal_mm: {length: -3}\n", "'nominal_mm.length' is -3; allowed is at least 300 and at most 30000."),
        (SOUND + "nominal_mm: {length: long}\n", "'nominal_mm.length' is \"long\"; it must be a number"),
        (
            SOUND + "nominal_mm: {length: {lower: -3}}\n",
            "'nominal_mm.length' lacks the key 'nominal'",
        ),
        (
            SOUND + "nominal_mm: {track_front: {nominal: 1500, lower: 3, upper: -3}}\n",
            "'nominal_mm.track_front' allows at least 3 and at most -3, which nothing meets: 'lower' is the lesser of",
        ),
        (
            SOUND + "nominal_deg: {approach_angle: 90}\n",
            "'nominal_deg.approach_angle' is 90; allowed is at least 1 and at most 80.",
        ),
        (SOUND + "nominal_deg: {approach: 17}\n", "unknown key 'nominal_deg.approach'"),
        (SOUND + "nominal_mm: {length: .inf}\n", "'nominal_mm.length' is \".inf\"; it must be a number"),
        (SOUND + "nominal_mm: {length: 1e999}\n", "'nominal_mm.length' is inf; a finite number is needed."),
        (
            SOUND + "identity: {scanned_on: 20.11.2026}\n",
            "'identity.scanned_on' is \"20.11.2026\"; A day as year-month-day, ISO 8601",
        ),
        (
            SOUND + "identity: {calibrated_on: 2026-02-30}\n",
            "'identity.calibrated_on' is '2026-02-30'; no calendar has this day: correct it",
        ),
        (SOUND + "identity: {vin: ABC}\n", "'identity.vin' is \"ABC\"; Vehicle identification number as ISO 3779"),
        (SOUND + "state: {tyre_pressure_kpa: 3}\n", "'state.tyre_pressure_kpa' is 3; allowed is at least 50"),
        (SOUND + "scale_bars: [{from: A, to: B, length_mm: 1000}]\n", "'scale_bars.0' lacks the key 'sd_mm'"),
        (SOUND + "parts: {outside: {}}\n", "unknown key 'parts.outside' (known are artefact, exterior, interior)."),
        (SOUND + "parts: {exterior: {segments: {a: 3}}}\n", "'parts.exterior.segments.a' is 3; it must be text or"),
        (SOUND + "parts: {exterior: {segments: {a: {file: x, unit: m}}}}\n", "(did you mean 'units'?)"),
        (SOUND + "parts: {exterior: {segments: {A b: raw/left.ply}}}\n", "'A b' can't be the name of a segment"),
        (SOUND + "parts: {exterior: {segments: {a: /etc/x.ply}}}\n", "a path inside the job's folder is needed"),
        (SOUND + "parts: {exterior: {segments: {a: ../x.ply}}}\n", "is '../x.ply'; a path inside the job's folder"),
        (SOUND + "parts: {interior: {}}\n", "part 'interior' has no segments, neither listed nor in van/raw/interior."),
        (SOUND + "parameters: {fuze: {}}\n", "unknown key 'parameters.fuze' (did you mean 'fuse'?)."),
        (SOUND + "parameters: {scan: {noise: 1}}\n", "unknown key 'parameters.scan.noise' (did you mean 'noise_mm'?)."),
        (SOUND + "parameters: {scan: 3}\n", "'parameters.scan' is 3; it must be a mapping."),
        (
            SOUND + "join: {by: targets}\n",
            "'join' needs an exterior and an interior, and the job has only an exterior: remove the key",
        ),
        (SOUND + "join: {by: eyes}\n", "'join.by' is \"eyes\"; allowed are targets, surfaces, points."),
        (SOUND + "join: {point_pairs_mm: []}\n", "at least 4 entries are needed."),
        (SOUND + "parameters: 3\n", "'parameters' is 3; it must be a mapping."),
        (
            SOUND + "parts: {exterior: {parameters: {scan: {noise_mm: 0}}}}\n",
            "'parts.exterior.parameters.scan.noise_mm' is 0; allowed is more than 0 and at most 5.",
        ),
    ],
)
def test_each_fault_of_a_sheet_is_one_sentence(job, text, sentence):
    found = faults(job, text)
    assert len(found) == 1
    assert found[0].startswith("van/job.yaml") and sentence in found[0] and found[0].endswith(".")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("by: points", "'join.by' is points, and 'join.point_pairs_mm' names none: list at least four pairs."),
        (
            "point_pairs_mm: [" + ", ".join(["{name: sill, exterior: [0, 0, 0], interior: [1, 1, 1]}"] * 4) + "]",
            "'join.point_pairs_mm' has the name 'sill' more than once: give each pair a name of its own.",
        ),
    ],
)
def test_a_join_that_can_not_be_carried_out_is_refused(job, text, sentence):
    files = ("raw/exterior/left.ply", "raw/interior/bay.ply")
    assert faults(job, SOUND + f"join: {{{text}}}\n", files=files) == [f"van/job.yaml: {sentence}"]


def test_all_faults_are_said_at_once(job):
    assert len(faults(job, "vehicle_class: vann\nnominal_mm: {length: 1}\nparameters: {fuze: {}}\n")) == 3


def test_a_file_listed_twice_is_refused(job):
    text = SOUND + "parts: {exterior: {segments: {left: raw/left.ply, right: raw/../raw/left.ply}}}\n"
    assert "a path inside the job's folder" in faults(job, text)[0]
    text = SOUND + "parts: {exterior: {segments: {left: raw/left.ply, right: raw/./left.ply}}}\n"
    assert faults(job, text) == [
        "van/job.yaml: van/raw/left.ply is listed twice, at 'parts.exterior.segments.left' and "
        "'parts.exterior.segments.right': list it once."
    ]


def test_both_parts_may_share_the_control_survey(job):
    text = SOUND + (
        "parts:\n  exterior: {control_survey: raw/all.csv, segments: {a: raw/a.ply}}\n"
        "  interior: {control_survey: raw/all.csv, segments: {b: raw/b.ply}}\n"
    )
    sheet = job(text, ["raw/a.ply", "raw/b.ply", "raw/all.csv"])
    assert sheet.parts["interior"].control_survey.file == "van/raw/all.csv"


def test_two_files_with_one_stem_are_refused(job):
    assert faults(job, SOUND, files=["raw/left.ply", "raw/left.e57"]) == [
        "van: raw/left.e57 and raw/left.ply both give a segment the name 'left': rename one."
    ]


def test_a_found_file_with_a_bad_name_is_refused_with_the_rule(job):
    (sentence,) = faults(job, SOUND, files=["raw/Left side.ply"])
    assert "'Left side' can't be the name of a segment: allowed are small letters, digits, '-' and '_'" in sentence
    assert "rename the file, or list it under parts.exterior.segments with a name." in sentence


def test_duplicate_segment_names_are_refused(job):
    text = SOUND + "parts:\n  exterior:\n    segments:\n      left: raw/left.ply\n      left: raw/right.ply\n"
    assert faults(job, text) == [
        "van/job.yaml, line 7: 'left' is listed twice (first on line 6): remove or rename one."
    ]


@pytest.mark.parametrize("name", ["Van", "a b", "..", "-x", "å"])
def test_bad_names_of_jobs_are_refused(tmp_path, name):
    with pytest.raises(job_sheet.Faults, match="can't be the name of a job: allowed are small letters"):
        job_sheet.read(tmp_path, name, CLASSES)


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"- a\n- b\n", "van is a list; it must be a mapping"),
        (b"", "van is empty; it must be a mapping"),
        (b"hello\n", "van is a single value; it must be a mapping"),
        (b"a: !!python/object/apply:os.system [ls]\n", "line 1: the tag 'tag:yaml.org,2002:python/obj"),
        (b"a: !!str 5\n", "the tag 'tag:yaml.org,2002:str' is not allowed: write plain values."),
        (b"a: &x [1, 2]\nb: [*x, *x]\n", "line 1: the anchor or alias 'x' is not allowed: write the value out."),
        (b"a: 1\na: 2\n", "line 2: 'a' is listed twice (first on line 1)"),
        (b"? [a, b]\n: 1\n", "a key must be a word"),
        (b"a: [1, 2\n", "line 2: while parsing a flow sequence, expected ',' or ']'"),
        (b"a: 1\n---\nb: 2\n", "expected a single document"),
        (b"a:\tb: c\n", "line 1"),
        (b"a: \xff\xfe\n", "is not YAML text in UTF-8"),
        (b"a: " + b"[" * 5000 + b"]" * 5000, "nested too deep"),
        (b"#" * 2_000_000, "has 2000000 bytes; at most 1000000 are allowed"),
    ],
)
def test_yaml_that_is_not_plain_data_is_refused(tmp_path, content, sentence):
    (tmp_path / "x.yaml").write_bytes(content)
    with pytest.raises(Rejected) as caught:
        yaml_file.read(tmp_path / "x.yaml", "van")
    assert sentence in str(caught.value)
    assert "\n" not in str(caught.value)


def test_an_unreadable_sheet_says_why(tmp_path):
    (tmp_path / "job.yaml").mkdir()
    with pytest.raises(Rejected, match="van can't be read: Is a directory."):
        yaml_file.read(tmp_path / "job.yaml", "van")


def test_words_stay_words(tmp_path):
    """YAML 1.1 would read a time as 90, a date as a date, 'no' as false and 010 as 8."""
    (tmp_path / "x.yaml").write_text("a: 1:30\nb: 2026-01-02\nc: no\nd: 010\ne: 1e3\nf: -4\ng: 2.5\nh: true\ni: ~\n")
    assert yaml_file.read(tmp_path / "x.yaml", "x") == {
        **{"a": "1:30", "b": "2026-01-02", "c": "no", "d": "010"},
        **{"e": 1000.0, "f": -4, "g": 2.5, "h": True, "i": None},
    }


def test_a_missing_schema_takes_no_key():
    rules = validation.schema("parameters/no such stage")
    assert validation.faults({}, rules, "x") == []
    assert validation.faults({"a": 1}, rules, "x") == ["x: unknown key 'a' (no key is known here)."]
