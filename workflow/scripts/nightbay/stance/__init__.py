"""How body, wheels and ground stand to each other in each segment, and which segments agree."""
