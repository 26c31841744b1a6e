"""Writes the page of a job."""

from nightbay import report, stage

stage.run(snakemake, report.report, accepts_rejected=True)  # noqa: F821
