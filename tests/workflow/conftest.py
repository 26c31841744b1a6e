from pathlib import Path

import pytest

from workflow import nights


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """All nights in one group, that is one process: they share the finished day, and each takes all cores."""
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.xdist_group("nights"))


@pytest.fixture(scope="session")
def finished(tmp_path_factory):
    """The small demo day after one night: (day folder, the finished process). Tests that change it work on a copy."""
    folder = tmp_path_factory.mktemp("a day with a space")
    day = nights.make_day(folder)
    return day, nights.run_night(day)
