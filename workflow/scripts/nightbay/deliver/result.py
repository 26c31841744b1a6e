"""The numbers in the JSON of the stage deliver: the model files."""

from dataclasses import dataclass


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
class DeliverResult:
    """Numbers of deliver for a part: ``deliverables``, sorted by name."""

    deliverables: list[Deliverable]
