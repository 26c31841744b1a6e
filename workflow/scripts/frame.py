"""Sets a part into the vehicle frame."""

from nightbay.frame import frame
from nightbay.pipeline import stage

stage.run(snakemake, frame.frame)  # noqa: F821
