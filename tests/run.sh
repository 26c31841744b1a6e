#!/usr/bin/env bash
# Sets up the environment and runs the tests.
#   Usage: bash tests/run.sh [pytest arguments]
# Without arguments all tests run: unit and reference in two processes, and beside them workflow (the real Snakemake on
# small days) in one, whose nights share a finished day and come one after the other. Nights on a day of their own
# ($ALONE) run with the first, which are done sooner, and at their end: their loops are compiled by then.
set -euo pipefail
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
python=$(bash "$root/envs/setup.sh")
cd "$root"
export OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 # small matrices: threads that wait for each other cost five times the work
[ $# -eq 0 ] || exec "$python" -m pytest "$@"
ALONE=tests/workflow/test_unplaced.py
nights=$(mktemp)
trap 'rm -f "$nights"' EXIT
"$python" -m pytest tests/workflow --ignore "$ALONE" -p no:cacheprovider > "$nights" 2>&1 &
beside=$!
status=0
# A file's tests in one process: what they share is made once, and their compiled loops are compiled once.
"$python" -m pytest -n 2 --dist loadfile --no-loadscope-reorder tests/unit tests/reference "$ALONE" || status=$?
wait "$beside" || status=$?
cat "$nights"
exit "$status"
