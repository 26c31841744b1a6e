#!/usr/bin/env bash
# Runs the main job on the demo day: sets up the environment, makes the day if it is missing, runs the night on it.
#   Usage: bash demo/run.sh [--points N]       N: raw points of a vehicle, 3000000 if not given, up to 60000000
set -euo pipefail
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
python=$(bash "$root/envs/setup.sh")
PYTHONPATH="$root/workflow/scripts:$root/demo" "$python" "$root/demo/make_day.py" \
    --out "$root/demo/day" --truth "$root/demo/truth" "$@"
exec bash "$root/workflow/night.sh" "$root/demo/day"
