"""Runs a command and notes what it asks of the network."""

import os
import subprocess

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
