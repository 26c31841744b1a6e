"""Paths of the files that the package reads from its own checkout: schemas, templates, languages, classes, scripts."""

from pathlib import Path

WORKFLOW = Path(__file__).resolve().parents[3]
SCRIPTS = WORKFLOW / "scripts"
SCHEMAS = WORKFLOW / "schemas"
TEMPLATES = WORKFLOW / "report"
LANGUAGES = WORKFLOW / "languages"  # GNU gettext, a file a language
CLASSES = WORKFLOW.parent / "config" / "classes"
