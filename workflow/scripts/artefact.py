"""Measures the calibrated artefacts of a job."""

from nightbay.artefact import artefact
from nightbay.pipeline import stage

stage.run(snakemake, artefact.artefact)  # noqa: F821
