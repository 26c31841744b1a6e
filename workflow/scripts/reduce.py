"""Makes levels of detail of a part's surface and measures what each departs from it."""

from nightbay.pipeline import stage
from nightbay.reduce import reduce

stage.run(snakemake, reduce.reduce)  # noqa: F821
