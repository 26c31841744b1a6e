"""Files that stage measure makes for the customer: in a folder of their own, which stage deliver hands over whole.

A measuring module writes its file to ``folder / FOLDER`` and says with :func:`describe` what it holds. The sentence
becomes the file's line in the README.txt of the delivery.
"""

from pathlib import Path

FOLDER = "deliverables"
CONTENTS = "contents.txt"  # "<file>: <sentence>", a line a file; not delivered itself


def describe(folder: Path, file: str, sentence: str) -> Path:
    """The path where to write ``file``, below the stage's data ``folder``; notes the ``sentence`` on what it holds.

    ``file``: a plain name; stage deliver puts ``<job>-<part>-`` before it. ``sentence``: one line, with the units.
    """
    made = folder / FOLDER
    made.mkdir(exist_ok=True)
    with open(made / CONTENTS, "a", encoding="utf-8", newline="\n") as contents:
        contents.write(f"{file}: {sentence}\n")
    return made / file


def described(folder: Path) -> dict[str, str]:
    """The files of a stage's data ``folder``, sorted by name, with the sentence of each, empty where none was noted."""
    made = folder / FOLDER
    if not made.is_dir():
        return {}
    contents = made / CONTENTS
    lines = contents.read_text(encoding="utf-8").splitlines() if contents.is_file() else []
    sentences = dict(line.split(": ", 1) for line in lines)
    names = sorted(path.name for path in made.iterdir() if path.is_file() and path != contents)
    return {name: sentences.get(name, "") for name in names}
