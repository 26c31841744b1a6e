#!/usr/bin/env bash
# Sets up the environment and runs one benchmark; the last line it prints is one JSON object.
#   Usage: bash tests/bench/run.sh NAME [arguments]      NAME is one of the .py files beside this script
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
root=$(cd "$here/../.." && pwd)
if [ $# -lt 1 ] || [ ! -f "$here/$1.py" ]; then
    echo "Usage: bash tests/bench/run.sh NAME [arguments], where NAME is one of:" \
        "$(cd "$here" && ls ./*.py | sed 's,^\./,,; s/\.py$//' | tr '\n' ' ')" >&2
    exit 2
fi
name=$1
shift
python=$(bash "$root/envs/setup.sh")
# Nights of a bench wait for no night of a user, nor he for them.
export NIGHTBAY_SHARES="${NIGHTBAY_SHARES:-${TMPDIR:-/tmp}/nightbay-bench-$(id -u)}"
export OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 # small matrices: threads that wait cost more than they bring
export PYTHONPATH="$root/workflow/scripts:$root/demo:$root/tests${PYTHONPATH:+:$PYTHONPATH}"
exec "$python" "$here/$name.py" "$@"
