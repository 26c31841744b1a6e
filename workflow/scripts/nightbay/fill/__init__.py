"""Stage fill: small gaps closed and marked."""
