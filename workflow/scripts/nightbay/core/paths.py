"""Where the files are that the package reads of its own checkout: schemas, templates, vehicle classes, scripts."""

from pathlib import Path

WORKFLOW = Path(__file__).resolve().parents[3]
SCRIPTS = WORKFLOW / "scripts"
SCHEMAS = WORKFLOW / "schemas"
TEMPLATES = WORKFLOW / "report"
CLASSES = WORKFLOW.parent / "config" / "classes"
