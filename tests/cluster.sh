#!/usr/bin/env bash
# Runs a small day on a SLURM of two nodes and compares each result with that of a night without SLURM, byte for byte.
#   Usage: bash tests/cluster.sh [--scratch DIR] [--points N] [--jobs a,b]
#     --scratch DIR  where packages, day and results lie; a named one is kept, and its packages and day are used again
#     --points N     raw points of a vehicle (120000)
#     --jobs a,b     two or more jobs of the demo day (all)
# On the way a night is ended, a night is killed, a node fails for good while the other takes its jobs over, a node's daemon
# is killed, a job is cancelled, a stage takes more memory than its job has, and the only node left fails and comes back.
# Not part of tests/run.sh: it needs root, Debian's apt-get and a kernel with overlayfs; memory is limited where the kernel
# has its control groups of version 1. The machine stays as it is: packages go into an overlay of /usr, /etc, /var and /root,
# and login node and nodes live in namespaces (mounts, processes, network, control groups) that end with this script.
# The last line is one JSON object; slurm_identical is 1 where all results have the same bytes and everything of this did
# happen, "absent" names what did not. Two vehicles
# (--jobs pebble-compact,finch-compact) took 5 minutes without SLURM and 19 with it, on two cores that were busy otherwise.
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
project=$(dirname "$here")

scratch="" points=120000 jobs=""
while [ $# -gt 0 ]; do
    case "$1" in
        --scratch) mkdir -p "$2" && scratch=$(cd "$2" && pwd) ;;
        --points) points=$2 ;;
        --jobs) jobs=$2 ;;
        *) sed -n '2,6s/^# \{0,1\}//p' "${BASH_SOURCE[0]}" >&2 && exit 2 ;;
    esac
    shift 2
done
if [ "$(id -u)" -ne 0 ] || ! command -v unshare >/dev/null || ! command -v apt-get >/dev/null; then
    echo "The cluster is made by root, with unshare and apt-get: become root on a Debian system." >&2
    exit 2
fi
if [ -z "$scratch" ]; then
    scratch=$(mktemp -d)
    trap 'rm -rf "$scratch"' EXIT
fi
chmod 755 "$scratch"

python=$(bash "$project/envs/setup.sh")
export OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1
if [ ! -d "$scratch/made/day" ]; then
    PYTHONPATH="$project/workflow/scripts:$project/demo" "$python" "$project/demo/make_day.py" --points "$points" \
        --chord-mm 1 ${jobs:+--jobs "$jobs"} --out "$scratch/made/day" --truth "$scratch/made/truth" >&2
fi

if [ "$(find "$scratch/made/day" -name job.yaml | wc -l)" -lt 2 ]; then
    echo "Two vehicles are needed, for one night runs the first and the next the rest: name two with --jobs." >&2
    exit 2
fi

# The committed state, where the cluster's user can read and write it.
rm -rf "$scratch/nightbay" "$scratch/alone" "$scratch/cluster"
git clone --quiet --no-hardlinks "$project" "$scratch/nightbay"
mkdir -p "$scratch/nightbay/envs/.venvs" "$scratch/alone" "$scratch/cluster"
cp -r "$scratch/made/day" "$scratch/alone/day"
cp -r "$scratch/made/day" "$scratch/cluster/day"

setpriv --pdeathsig KILL unshare --mount --pid --cgroup --fork --kill-child --mount-proc bash "$here/slurm/slurm.sh" "$scratch" "$project/envs/.venvs" \
    bash "$here/slurm/nights.sh" "$scratch" >&2
PYTHONPATH="$project/workflow/scripts:$project/tests" "$python" "$here/slurm/compare.py" "$scratch"
