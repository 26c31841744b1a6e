#!/usr/bin/env bash
# Runs one stage of one job in this terminal, on what the night left: its output is not redirected, and a breakpoint works.
#   Usage: bash workflow/stage.sh DAY STAGE JOB [PART[.SEGMENT]] [options]
#     --out FOLDER    where the result goes (DAY/.nightbay/stage); the night's results stay as they are
#     --threads N     threads that the stage may use (1)
#     --profile FILE  write a profile of the stage for python -m pstats
# intake and clean work on a segment, report on the job, the others on a part. The exit code is 0 when the stage ended,
# also with a rejection; 1 when it failed; 2 for a wrong call.
set -uo pipefail
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)

usage() {
    echo "$1" >&2
    sed -n '3,6s/^# \{0,1\}//p' "${BASH_SOURCE[0]}" >&2
    exit 2
}
absolute() { case "$1" in /*) echo "$1" ;; *) echo "$PWD/$1" ;; esac; }

words=() out="" threads=1 profile=""
while [ $# -gt 0 ]; do
    case "$1" in
        --out | --threads | --profile) [ $# -ge 2 ] || usage "$1 needs a value." ;;&
        --out) out=$(absolute "$2") && shift ;;
        --profile) profile=$(absolute "$2") && shift ;;
        --threads)
            case "$2" in "" | *[!0-9]* | 0) usage "$1 is '$2': a whole number of at least 1 is needed." ;; esac
            threads=$2 && shift
            ;;
        -*) usage "$1 is not an option of this command." ;;
        *) words+=("$1") ;;
    esac
    shift
done
[ ${#words[@]} -ge 3 ] || usage "A day folder, a stage and a job are needed."
[ ${#words[@]} -le 4 ] || usage "'${words[4]}' is one word too many."
[ -d "${words[0]}" ] || usage "The day folder ${words[0]} does not exist."
day=$(CDPATH="" cd -- "${words[0]}" && pwd) || usage "The day folder ${words[0]} can't be entered: correct its permissions."

# As in the night: nothing of the day is imported, and libraries keep to the threads of the stage.
cd "$root" || exit 2
python=$(PYTHONPATH="" bash "$root/envs/setup.sh") || exit 2
export PYTHONPATH="$root/workflow/scripts" PYTHONSAFEPATH=1 PYTHONUTF8=1 PYTHONUNBUFFERED=1
export OMP_NUM_THREADS=$threads OPENBLAS_NUM_THREADS=$threads MKL_NUM_THREADS=$threads
exec "$python" -m nightbay.planning.single_stage \
    "$day" "${words[1]}" "${words[2]}" "${words[3]:-}" "$out" "$threads" "$profile"
