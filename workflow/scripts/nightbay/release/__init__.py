"""The release check: whether a vehicle may leave, or what has to be scanned again, from a sample of its raw files."""
