"""Stage intake: raw exports become working clouds."""
