"""The plan of a day: job sheets, parameters, raw files, what the night asks for."""
