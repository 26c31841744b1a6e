"""Stage network: adjusts the target lists of a part together; see nightbay/network.py."""

from nightbay import network, stage

stage.run(snakemake, network.network)  # noqa: F821
