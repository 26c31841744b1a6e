"""Stage artefact: what the scanner measures to, from calibrated spheres, ball bars, plates and scale bars."""
