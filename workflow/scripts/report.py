"""Writes the page of a job."""

from nightbay.pipeline import stage
from nightbay.report import report

stage.run(snakemake, report.report, accepts_rejected=True)  # noqa: F821
