"""Scans and meshes that free software publishes with its sources, fetched by pip and apt when a test asks for them.

A test that can't have them (no connection, no apt) is skipped by the name of what it lacks.
"""

import subprocess
import sys
import tarfile

import pytest


def source_distribution(name, version, folder):
    """The unpacked source distribution of a Python package, fetched by pip into ``folder``.

    pip runs the package's own build to read its metadata, in an environment of its own; nothing is installed.
    """
    what = f"{name}=={version}"
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--no-binary", name]
    _fetched([*command, "--dest", str(folder), what], folder, what)
    return _unpacked(folder, "*.tar.gz", folder, what) / f"{name}-{version}"


def cgal_data(folder):
    """The folder "data" of Debian's libcgal-demo, with meshes and scans, fetched by apt into ``folder``."""
    what = "Debian's libcgal-demo"
    _fetched(["apt-get", "download", "libcgal-demo"], folder, what)
    packages = list(folder.glob("libcgal-demo_*.deb"))
    if not packages:
        pytest.skip(f"{what} could not be fetched")
    _fetched(["dpkg", "-x", str(packages[0]), str(folder / "unpacked")], folder, what)
    documents = folder / "unpacked" / "usr" / "share" / "doc" / "libcgal-dev"
    return _unpacked(documents, "data.tar.gz", folder, what) / "data"


def _fetched(command, folder, what):
    """Run a command in ``folder``; skip the test where it is missing or fails."""
    folder.mkdir(parents=True, exist_ok=True)
    try:
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=300)
    except (OSError, subprocess.TimeoutExpired) as error:
        pytest.skip(f"{what} could not be fetched: {error}")
    if done.returncode:
        pytest.skip(f"{what} could not be fetched: {(done.stderr or done.stdout).strip()[-200:]}")


def _unpacked(folder, pattern, into, what):
    archives = list(folder.glob(pattern))
    if not archives:
        pytest.skip(f"{what} has no {pattern}")
    with tarfile.open(archives[0]) as archive:
        archive.extractall(into, filter="data")
    return into
