#!/usr/bin/env bash
# Sets up the environment and runs the tests.
#   Usage: bash tests/run.sh [pytest arguments]
# Without arguments all tests run: unit, workflow (the real Snakemake on small days), reference.
set -euo pipefail
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
python=$(bash "$root/envs/setup.sh")
cd "$root"
exec "$python" -m pytest "$@"
