#!/usr/bin/env bash
# Shows what days take on disk, and frees the intermediate data of jobs that are complete.
#   Usage: bash workflow/space.sh DAY [DAY ...] [--free]
#     --free          remove what is shown as "can go", and compiled kernels of older versions
# Raw files, deliverables, pages, logs and the numbers of every stage stay. What changes later for a job whose data is gone
# computes all of that job again. The exit code is 0, 1 when something could not be freed, 2 for a wrong call.
set -uo pipefail
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)

usage() {
    echo "$1" >&2
    sed -n '3,6s/^# \{0,1\}//p' "${BASH_SOURCE[0]}" >&2
    exit 2
}

days=() free=""
while [ $# -gt 0 ]; do
    case "$1" in
        --free) free=yes ;;
        -*) usage "$1 is not an option of this command." ;;
        *)
            [ -d "$1" ] || usage "The day folder $1 does not exist."
            day=$(CDPATH="" cd -- "$1" && pwd) || usage "The day folder $1 can't be entered: correct its permissions."
            days+=("$day")
            ;;
    esac
    shift
done
[ ${#days[@]} -gt 0 ] || usage "No day folder given."

cd "$root" || exit 2
unset PYTHONPATH
export PYTHONSAFEPATH=1 PYTHONUTF8=1
python=$(bash "$root/envs/setup.sh") || exit 2
PYTHONPATH="$root/workflow/scripts" exec "$python" -m nightbay.housekeeping.command "$free" "${days[@]}"
