"""A run of intake on a file."""

import pytest
import yaml

from nightbay.clouds.cloud import CloudFile
from nightbay.intake import intake
from nightbay.pipeline import stage
from nightbay.planning import parameters
from nightbay.planning.raw_files import Hashes

DEFAULTS = yaml.safe_load((parameters.CLASSES.parent / "config.yaml").read_text(encoding="utf-8"))
VAN = {"length": [3900, 7700], "width": [1600, 2300], "height": [1700, 3200]}


@pytest.fixture
def take(tmp_path, monkeypatch):
    """A function that runs intake on a file of the current folder; returns the stage's record and the cloud."""
    monkeypatch.chdir(tmp_path)

    def run(name, units="mm", part="exterior", columns=None, unreadable=None, **own):
        sheet = {
            **{"file": str(name), **Hashes(tmp_path).of(str(name)), "units": units, "columns": columns},
            **{"part": part, "vehicle_class": "van", "extent_mm": VAN},
        }
        sheet["unreadable"] = unreadable
        record = stage.execute(
            intake.intake,
            stage="intake",
            wildcards={"job": "j", "part": part, "segment": "s"},
            upstream={},
            sheet=sheet,
            settings={"scan": DEFAULTS["scan"], "intake": {**DEFAULTS["intake"], **own}},
            folder=tmp_path / "out",
            threads=1,
        )
        return record, CloudFile(tmp_path / "out") if record["status"] == "ok" else None

    return run
