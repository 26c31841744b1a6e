"""Nightbay's geometry and bookkeeping: one idea a module, no Snakemake in here."""
