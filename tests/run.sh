#!/usr/bin/env bash
# Sets up the environment and runs the tests.
#   Usage: bash tests/run.sh [pytest arguments]
# Without arguments all tests run: unit, workflow (the real Snakemake on small days), reference; the nights one after the
# other beside the rest.
set -euo pipefail
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
python=$(bash "$root/envs/setup.sh")
cd "$root"
export OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 # small matrices: threads that wait for each other cost five times the work
[ $# -gt 0 ] || set -- -n 2 --dist loadgroup
exec "$python" -m pytest "$@"
