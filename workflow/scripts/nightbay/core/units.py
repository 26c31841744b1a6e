"""Units of length that a job sheet may declare."""

MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}  # millimetres in one; the inch is exact since 1959
