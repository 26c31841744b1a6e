"""Makes levels of detail of a part's surface and measures what each departs from it."""

from nightbay import reduce, stage

stage.run(snakemake, reduce.reduce)  # noqa: F821
