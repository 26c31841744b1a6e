"""The numbers in the JSON of the stage deliver: the model files, and the files that measure made for the customer."""

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Deliverable:
    """A model file: its name ``file``, the ``level`` of detail, the ``format`` ("ply", "stl", "obj", "glb"), the
    ``units`` of its coordinates ("mm", "m"), its size in ``bytes``, how many ``faces`` it has, and how it ``marks``
    filled faces, None where the format can't."""

    file: str
    level: str
    format: str
    units: str
    bytes: int
    faces: int
    marks: str | None


@dataclass(frozen=True)
class MeasuredFile:
    """A file that stage measure made for the customer: its name ``file`` in the delivery, its size in ``bytes``, and a
    sentence ``about`` what it holds, empty where none was noted."""

    file: str
    bytes: int
    about: str


@dataclass(frozen=True)
class DeliverResult:
    """Numbers of deliver for a part: ``deliverables``, the models, and ``measured``, each sorted by name."""

    deliverables: list[Deliverable]
    measured: list[MeasuredFile] = field(default_factory=list)
