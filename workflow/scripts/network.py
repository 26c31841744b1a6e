"""Stage network: adjusts the target lists of a part together; see nightbay/network/network.py."""

from nightbay.network import network
from nightbay.pipeline import stage

stage.run(snakemake, network.network)  # noqa: F821
