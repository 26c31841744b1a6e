"""Units of length that a job sheet may declare."""

# Millimetres per unit. The inch has been exactly 25.4 mm since the agreement of 1959.
MM: dict[str, float] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}

# Farthest from the origin that a coordinate may lie, mm: a hundred times as far as any point of the Earth's grids. What
# is farther is damage, and its square would soon be no number.
FARTHEST_MM = 1e12
