"""What makes a function a stage: its call, its files, its provenance."""
