#!/usr/bin/env bash
# Runs nights of the smallest day by workflow/systemd, on a systemd of its own: started by the timer, stopped in the
# middle, and within a limit of memory, and compares the results with those of a night without it, byte for byte.
#   Usage: bash tests/service.sh [--scratch DIR]
#     --scratch DIR  where the day, the nights and what systemd said are kept
# Not part of tests/run.sh: it needs root, systemd's program and util-linux. The machine stays as it is: systemd is
# process 1 of namespaces (mounts, processes, network, control groups) that end with this script, in a root of its own
# that has this machine's /usr, not to be written to, and nothing of its /etc, /var and /run. The last line is one JSON
# object; service_ok is 1 where all that it names went well.
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
project=$(dirname "$here")

scratch=""
while [ $# -gt 0 ]; do
    case "$1" in
        --scratch) [ $# -ge 2 ] && mkdir -p "$2" && scratch=$(cd "$2" && pwd) && shift 2 ;;
        *) sed -n '2,9s/^# \{0,1\}//p' "${BASH_SOURCE[0]}" >&2 && exit 2 ;;
    esac
done
if [ "$(id -u)" -ne 0 ] || [ ! -x /usr/lib/systemd/systemd ] || ! command -v nsenter >/dev/null; then
    echo "The system is made by root, with systemd and util-linux: become root on a Linux with systemd installed." >&2
    exit 2
fi
groups=() # control groups of this script, one in each hierarchy that the machine has mounted
finish() {
    [ -z "${nights:-}" ] || kill "$nights" 2>/dev/null || true
    [ -z "${system:-}" ] || kill -KILL "$system" 2>/dev/null || true
    sleep 1
    for group in "${groups[@]}"; do
        find "$group" -depth -type d -exec rmdir {} \; 2>/dev/null || true
    done
    [ -z "${temporary:-}" ] || rm -rf "$temporary"
}
trap finish EXIT
trap 'exit 143' TERM INT HUP
[ -n "$scratch" ] || { temporary=$(mktemp -d) && scratch=$temporary; }
chmod 755 "$scratch"

python=$(bash "$project/envs/setup.sh")
export OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1
rm -rf "$scratch/nightbay" "$scratch/alone" "$scratch/scans" "$scratch/made"
# The committed state, which belongs to root; as the README says, the set-up has been run.
git clone --quiet --no-hardlinks "$project" "$scratch/nightbay"
mkdir -p "$scratch/nightbay/envs/.venvs" "$scratch/scans"
PYTHONPATH="$project/workflow/scripts:$project/tests" "$python" -c \
    "import pathlib, sys, killed_nights; killed_nights.make_day(pathlib.Path(sys.argv[1]))" "$scratch/made" >&2
cp -r "$scratch/made/small" "$scratch/alone"
# With as little in its environment as a service has: OPENBLAS_CORETYPE, say, would change the last bits.
env -i HOME=/nonexistent PATH=/usr/local/bin:/usr/bin:/bin NIGHTBAY_SHARES="$scratch" \
    bash "$project/workflow/night.sh" "$scratch/alone" --cores 1 >&2

# Below groups of its own in every hierarchy, for systemd takes the top of what it sees.
while IFS=: read -r _ controllers path; do
    top=/sys/fs/cgroup/${controllers#name=}
    [ -n "$controllers" ] || top=/sys/fs/cgroup/unified
    [ -d "$top" ] || { echo "The control groups '$controllers' are not at $top: this script knows version 1 only." >&2 && exit 2; }
    mkdir "$top$path/nightbay-service-$$"
    groups+=("$top$path/nightbay-service-$$")
    [ "$controllers" != cpuset ] || for file in cpuset.cpus cpuset.mems; do # without them it takes no process
        cat "$top$path/$file" >"$top$path/nightbay-service-$$/$file"
    done
done </proc/self/cgroup
(
    for group in "${groups[@]}"; do echo "$BASHPID" >"$group/cgroup.procs"; done
    exec setpriv --pdeathsig KILL unshare --mount --pid --uts --ipc --net --cgroup --fork --kill-child \
        bash "$here/systemd/machine.sh" "$scratch" "$project/envs/.venvs" "$python"
) >"$scratch/systemd.log" 2>&1 &
system=$!
PYTHONPATH="$project/workflow/scripts:$project/tests" "$python" "$here/systemd/nights.py" "$scratch" "$system" &
nights=$! # bash acts on a signal while it waits, not while it runs a command
wait "$nights"
