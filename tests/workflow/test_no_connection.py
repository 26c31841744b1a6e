"""A night needs no network and never tries to use one, not even for a file that names an address."""

import os
import shutil
import subprocess
import sys

import numpy as np
import pytest

import e57_files
from nightbay.pipeline import stage
from workflow import nights

JOB = "larch-loadbay"
ADDRESS = "192.0.2.1"  # belongs to nobody (RFC 5737)
# In each process of Python: what it asks of the network goes to a file. Sockets of this machine's own have no tuple.
HOOK = """
import os, sys

def note(event, args):
    address = args[1] if event in ("socket.connect", "socket.sendto", "socket.sendmsg") else args[0]
    if event.startswith("socket.get") or isinstance(address, tuple):
        with open(os.environ["ASKED_OF_THE_NETWORK"], "a") as file:
            file.write(f"{event} {address} by {sys.argv}\\n")

EVENTS = ("connect", "sendto", "sendmsg", "getaddrinfo", "gethostbyname", "gethostbyaddr", "getnameinfo")
EVENTS = {f"socket.{event}" for event in EVENTS}
sys.addaudithook(lambda event, args: event in EVENTS and note(event, args))
with open(os.environ["WATCHED"], "a") as file:
    file.write(f"{sys.orig_argv}\\n")
"""
# The night forgets PYTHONPATH, by which the hook comes: a shell that does not forget it, whatever the night asks.
KEEP = 'unset() { [ "$1" = PYTHONPATH ] || builtin unset "$@"; }\n'
# A network without a single device. What native code asks of it by IPv4, names included, the system counts as packets
# without a route.
ALONE = ("unshare", "--user", "--map-root-user", "--net")
COUNT = """
"$@"; status=$?
awk '/^Ip:/ && !column {for (at = 1; at <= NF; at++) if ($at == "OutNoRoutes") column = at; next}
    /^Ip:/ {print "unrouted", $column}' /proc/net/snmp
exit $status
"""


def alone():
    """Whether the system lets a user have a network of his own, without any device."""
    try:
        return subprocess.run([*ALONE, "true"], capture_output=True, check=False).returncode == 0
    except FileNotFoundError:
        return False


def run(folder, *command):
    """The finished process of a command, what Python asked of the network, and how many packets had no route, or None
    where that is not known."""
    (folder / "hook").mkdir(parents=True)
    (folder / "hook" / "sitecustomize.py").write_text(HOOK)
    (folder / "keep.sh").write_text(KEEP)
    asked = folder / "asked.txt"
    asked.touch()
    said = {"PYTHONPATH": folder / "hook", "BASH_ENV": folder / "keep.sh", "ASKED_OF_THE_NETWORK": asked}
    said["WATCHED"] = folder / "watched.txt"
    done = subprocess.run(
        [*ALONE, "bash", "-c", COUNT, "counted", *command] if alone() else command,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, **{name: str(path) for name, path in said.items()}},
    )
    counts = [int(line.split()[1]) for line in done.stdout.splitlines() if line.startswith("unrouted ")]
    return done, asked.read_text().splitlines(), counts[-1] if counts else None


@pytest.fixture(scope="module")
def night(finished, tmp_path_factory):
    """The night of a sound job and of one whose E57 names an address, as :func:`run` tells of it, and its day.

    It has one processor, so that its results can be compared with those that two made.
    """
    folder = tmp_path_factory.mktemp("night")
    shutil.copytree(finished[0] / JOB, folder / "day" / JOB)
    asking = folder / "day" / "asking" / "raw" / "left.e57"
    asking.parent.mkdir(parents=True)
    (asking.parents[1] / "job.yaml").write_text("vehicle_class: van\nunits: m\n")
    e57_files.write(asking, e57_files.places(np.random.default_rng(1).uniform(-2, 2, (2000, 3))))
    declaration, rest = e57_files.xml_of(asking).split(b"\n", 1)
    e57_files.put_xml(asking, declaration + f'<!DOCTYPE e57Root SYSTEM "http://{ADDRESS}/any.dtd">'.encode() + rest)
    command = ("bash", str(nights.ROOT / "workflow" / "night.sh"), str(folder / "day"), "--cores", "1")
    return folder / "day", run(folder, *command)


def test_a_night_asks_nothing_of_the_network(night):
    day, (done, asked, _) = night
    assert done.returncode == 0, done.stdout + done.stderr
    assert (day / "results" / JOB / "report" / JOB / "report.html").is_file()
    watched = (day.parent / "watched.txt").read_text()
    for stage_name in ("intake", "clean", "network", "refine", "frame", "fuse", "fill", "reduce", "deliver", "report"):
        assert f".{stage_name}.py" in watched  # the script's process was one of those that the hook was in
    assert asked == []


def test_same_bytes_with_one_processor_and_with_two(finished, night):
    assert nights.digests(night[0] / "results" / JOB) == nights.digests(finished[0] / "results" / JOB)


def test_a_file_that_names_an_address_is_refused(night):
    day, _ = night
    refused = stage.load(day / "results" / "asking" / "intake" / "exterior.left.json")
    assert "its XML section holds '<!DOCTYPE'" in refused.reasons[0]["sentence"]


def test_native_code_asks_nothing_of_the_network_and_the_night_does_without_one(night):
    _, (done, _, unrouted) = night
    if not alone():
        pytest.skip("this system lets a user have no network of his own (unshare --user --net), so the night had one")
    assert done.returncode == 0
    assert unrouted == 0


@pytest.mark.parametrize(
    "code",
    [
        f"import socket; socket.create_connection(('{ADDRESS}', 80), 0.1)",
        f"import socket; socket.socket(type=socket.SOCK_DGRAM).sendto(b'any', ('{ADDRESS}', 53)); 1 / 0",
    ],
)
def test_an_attempt_is_seen(code, tmp_path):
    done, asked, unrouted = run(tmp_path, sys.executable, "-c", code)
    assert done.returncode == 1
    assert asked
    assert unrouted is None or unrouted > 0


def test_a_name_that_is_looked_up_is_seen(tmp_path):
    _, asked, _ = run(tmp_path, sys.executable, "-c", "import socket; socket.gethostbyname('host.invalid')")
    assert asked and asked[0].startswith("socket.gethostbyname host.invalid")
