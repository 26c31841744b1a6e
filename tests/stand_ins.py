"""Stand-ins for programs of the system, for tests that put a folder of their own before everything on PATH."""


def make_tool(folder, name, script):
    """An executable ``name`` in ``folder`` that runs ``script`` by bash; returns its path."""
    tool = folder / name
    tool.write_text(f"#!/bin/bash\n{script}\n")
    tool.chmod(0o755)
    return tool
