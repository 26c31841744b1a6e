import pytest

from workflow import nights


@pytest.fixture(scope="session")
def finished(tmp_path_factory):
    """The small demo day after one night: (day folder, the finished process). Tests that change it work on a copy."""
    folder = tmp_path_factory.mktemp("a day with a space")
    day = nights.make_day(folder)
    return day, nights.run_night(day)
