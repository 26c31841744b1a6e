import pytest

from workflow import nights, resumed_day


def pytest_collection_modifyitems(items):
    """Tests on the finished day come last: other processes have compiled most of what its night runs by then."""
    items.sort(key=lambda item: "finished" in getattr(item, "fixturenames", ()))


@pytest.fixture(scope="session", autouse=True)
def shares(tmp_path_factory):
    """Nights of the tests wait for no other night on this machine."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("NIGHTBAY_SHARES", str(tmp_path_factory.mktemp("shares")))
        yield


@pytest.fixture(scope="session")
def finished(tmp_path_factory):
    """The small demo day after one night: (day folder, the finished process). Tests that change it work on a copy."""
    folder = tmp_path_factory.mktemp("a day with a space")
    day = nights.make_day(folder)
    return day, nights.run_night(day)


@pytest.fixture(scope="session")
def resumed(finished, tmp_path_factory):
    """A day with faulty jobs whose night was killed and went on, as a :class:`resumed_day.Resumed`."""
    return resumed_day.run(finished[0], tmp_path_factory.mktemp("resumed"))
