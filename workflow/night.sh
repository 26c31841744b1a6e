#!/usr/bin/env bash
# The night run: every job of a day from raw exports to finished models and a report, then the day board.
#   Usage: bash workflow/night.sh DAY [options]
#     --jobs a,b      only these jobs (folders of the day)
#     --cores N       processors to use (all)
#     --memory GB     memory to use (nine tenths of what the machine has)
#     --cluster       run the stages on a SLURM cluster, from its login node, by workflow/profiles/slurm
#     --dry-run       say what would run and why, and run nothing
#     --release-check say in a minute, from a sample of the files, which vehicles may leave and what to scan again
#     --watch         with --release-check: check again whenever a file changes, until Ctrl-C
# The exit code is 0 when every job ended, complete or refused with its reason; 1 when a job failed; 2 for a wrong call.
# Of a release check it is 0 when every vehicle may leave, 1 when one may not or can't be told yet, 2 for a wrong call.
set -uo pipefail
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)

usage() {
    echo "$1" >&2
    sed -n '3,10s/^# \{0,1\}//p' "${BASH_SOURCE[0]}" >&2
    exit 2
}
whole() { case "$2" in "" | *[!0-9]* | 0) usage "$1 is '$2': a whole number of at least 1 is needed." ;; esac; }

day="" jobs="" cores="" memory="" cluster="" dry="" release="" watch=""
while [ $# -gt 0 ]; do
    case "$1" in
        --jobs | --cores | --memory) [ $# -ge 2 ] || usage "$1 needs a value." ;;&
        --jobs) jobs=$2 && shift ;;
        --cores) whole "$1" "$2" && cores=$2 && shift ;;
        --memory) whole "$1" "$2" && memory=$2 && shift ;;
        --cluster) cluster=yes ;;
        --dry-run) dry=yes ;;
        --release-check) release=yes ;;
        --watch) watch=yes ;;
        -*) usage "$1 is not an option of the night run." ;;
        *) [ -z "$day" ] || usage "Two day folders given, $day and $1: one night run takes one day." && day=$1 ;;
    esac
    shift
done
[ -n "$day" ] || usage "No day folder given."
[ -z "$watch" ] || [ -n "$release" ] || usage "--watch needs --release-check."
[ -z "$cluster" ] || [ -z "$cores$memory$release" ] || usage "--cores, --memory and --release-check are of one machine, and --cluster is not."
[ -d "$day" ] || usage "The day folder $day does not exist."
day=$(CDPATH="" cd -- "$day" && pwd) || usage "The day folder $day can't be entered: correct its permissions."
[ -w "$day" ] || usage "The day folder $day can't be written to: results are kept in it."

# A day holds other people's files, so nothing of it is run. Python would import from the working folder (python -m), from
# Snakemake's .snakemake/scripts (the folder of the script) and from an empty entry of PYTHONPATH; Snakemake would take
# profiles/default below the working folder for settings.
cd "$root" || exit 2
unset PYTHONPATH
export PYTHONSAFEPATH=1 PYTHONUTF8=1

python=$(bash "$root/envs/setup.sh") || exit 2
umask 002 # on a shared machine the group may go on with the day
# A service user may have no home to write caches to; they hold code, so the day is no place for them.
if [ ! -w "${HOME:-/nonexistent}" ]; then
    if [ -n "$cluster" ]; then
        echo "--cluster needs a home folder that all nodes see, and ${HOME:-none} can't be written to: set HOME to one." >&2
        exit 2
    fi
    HOME=$(mktemp -d) || exit 2
    export HOME
    trap 'rm -rf "$HOME"' EXIT
fi
if ! mkdir -p "$day/.nightbay" "$day/logs/night"; then
    echo "The night run can't keep its files in $day/.nightbay and $day/logs/night: see that they are folders that can be written to." >&2
    exit 2
fi

# Beside a night that may be running: no lock is taken.
if [ -n "$release" ]; then
    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 PYTHONPATH="$root/workflow/scripts" PYTHONUNBUFFERED=1 \
        "$python" -m nightbay.release.command "$day" ${jobs:+--jobs "$jobs"} ${watch:+--watch}
    exit
fi

# One night a day folder: Snakemake's own lock does not hold against a second run. Children keep the lock while they live.
exec 9<>"$day/.nightbay/night.lock" || exit 2
if command -v flock >/dev/null && ! flock -n 9; then
    echo "Another night run is still working on $day: wait for it, or end it first." >&2
    exit 2
fi

[ -n "$memory" ] || memory=$(($(awk '/MemTotal/ {print $2}' /proc/meminfo 2>/dev/null || echo 8000000) * 9 / 10 / 1000000))
if [ -n "$cluster" ]; then
    where=(--profile "$root/workflow/profiles/slurm")
else
    where=(--profile "$root/workflow/profiles/workstation" --cores "${cores:-all}" --resources "mem_mb=$((memory * 1000))")
fi
call() {
    # Targets first: Snakemake's options with several values would swallow them.
    PYTHONPATH="$root/workflow/logger${PYTHONPATH:+:$PYTHONPATH}" PYTHONUNBUFFERED=1 "$python" -m snakemake "$@" --snakefile "$root/Snakefile" --directory "$day" \
        --workflow-profile none "${where[@]}"
}
on_cluster() { PYTHONPATH="$root/workflow/scripts" "$python" -m nightbay.planning.cluster "$@"; }
keep_board() { PYTHONPATH="$root/workflow/scripts" "$python" -m night_board "$day" "$names"; }
stopped() {
    echo '{"event": "stopped"}' >>"$events" # what fails from here on was ended, and did not fail
    # On a cluster Snakemake would wait for its jobs; without it, no more are submitted, and those that are go by their name.
    if [ -n "$cluster" ]; then kill -KILL -- -"$night" 2>/dev/null && on_cluster cancel "$day"; fi
    kill -TERM -- -"$night" 2>/dev/null
    wait "$night" "$keeper"
    echo "Ended by a signal; finished stages are kept, run the same command to go on." >&2
    exit 143
}
summary() { PYTHONPATH="$root/workflow/scripts" "$python" -m nightbay.planning.night "$@"; }

# The plan comes first: a fault of the whole day ends the call, and refused jobs are named before anyone goes home.
targets=$(summary targets "$day" ${jobs:+"$jobs"}) || exit 2
targets=($targets) # names of jobs hold no space
names=$(printf '%s,' "${targets[@]##*/}") && names=${names//.json,/,} && names=${names%,}
[ -n "$jobs" ] || targets=(all)

# With the outer lock held, a lock that Snakemake left behind belongs to a run that was killed.
if [ -n "$(ls -A "$day/.snakemake/locks" 2>/dev/null)" ]; then call --unlock --quiet all >/dev/null 2>&1; fi

if [ -n "$dry" ]; then
    [ ${#targets[@]} -gt 0 ] || { echo "Nothing to do: none of these jobs is accepted."; exit 0; }
    events=$(mktemp) || exit 2
    said=$(call "${targets[@]}" --dry-run --logger nightbay --logger-nightbay-events "$events" 2>&1)
    status=$?
    if [ "$status" -eq 0 ]; then summary plan <"$events"; else summary text <<<"$said" >&2; fi
    rm -f "$events"
    exit "$status"
fi

# Jobs of a night that died still write into this day, whatever the next one runs on.
submitted="$day/.nightbay/submitted"
if [ -n "$cluster" ] || [ -e "$submitted" ]; then on_cluster cancel "$day" 120 || exit 2; fi
rm -f "$submitted"
if [ -n "$cluster" ]; then
    : >"$submitted" || exit 2
    name=$(on_cluster name "$day") || exit 2 # without it, nothing finds these jobs again
    where+=(--slurm-jobname-prefix "$name")
fi

# Results took 10 to 16 times the size of the raw files (day of the demo, a van of 15 and of 60 million points).
kilobytes() { du -skc "$@" 2>/dev/null | awk 'END {print $1 + 0}'; }
gb() { awk -v kb="$1" 'BEGIN {printf "%.1f GB", kb / 1e6}'; }
free=$(df -Pk "$day" | awk 'NR == 2 {print $4}')
to_come=$((16 * $(kilobytes "$day"/*/raw) - $(kilobytes "$day/results")))
if [ "$to_come" -gt "$free" ]; then
    echo "The disk of $day has $(gb "$free") free, and results of up to $(gb "$to_come") may come: free some, or the night may end early." >&2
fi

log="$day/logs/night/$(date +%Y-%m-%dT%H-%M-%S).log"
events="${log%.log}.events.jsonl"
work() {
    [ -z "$cluster" ] || PATH="$root/workflow/profiles/slurm/bin:$PATH"
    call "${targets[@]}" --logger nightbay --logger-nightbay-events "$events" && return
    local status=$?
    # A node that failed once gets no more jobs of a call: where no other is left, the rest needs a second one.
    [ -n "$cluster" ] && grep -q "nodes failed during job execution" "$log" || return "$status"
    call "${targets[@]}" --logger nightbay --logger-nightbay-events "$events"
}
status=0
if [ ${#targets[@]} -gt 0 ]; then
    # In a process group of its own: ended by a signal, the night takes the stages that still run with it.
    set -m
    work >>"$log" 2>&1 &
    night=$!
    # Also in a group of its own: it makes the board once more when the night has ended, whatever ended it.
    tail --pid="$night" -n +1 -F "$events" 2>/dev/null | keep_board >>"$log" 2>&1 &
    keeper=$!
    set +m
    trap stopped INT TERM HUP
    tail --pid="$night" -n +1 -F "$events" 2>/dev/null | summary progress &
    wait "$!" # a signal interrupts a wait; a command in the foreground would hold the trap back till morning
    wait "$night"
    status=$?
    wait "$keeper"
    [ "$status" -gt 1 ] || rm -f "$submitted" # Snakemake that was not killed ends after its jobs
    trap - INT TERM HUP
fi

# Forced, for it costs a second, and Snakemake does not ask for a board anew whose records it has lost.
call board --forcerun board --quiet all >>"$log" 2>&1 || { echo "The day board could not be made; see $log" >&2; status=1; }
PYTHONPATH="$root/workflow/scripts" "$python" -m night_history "$day"
summary table "$day"
if [ "$status" -ne 0 ] && grep -qrs --exclude-dir=night "No space left on device" "$log" "$day/logs"; then
    echo "The disk of $day is full: free some space and run the same command, it goes on where it stopped." >&2
fi
[ "$status" -eq 0 ] || { echo "Some stages failed; see $log" >&2; status=1; }
exit "$status"
