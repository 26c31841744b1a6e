"""Sets a part into the vehicle frame."""

from nightbay import frame, stage

stage.run(snakemake, frame.frame)  # noqa: F821
