"""Which places of a vehicle's outside were never seen by the scanner, told from places that are open by nature."""
