#!/usr/bin/env bash
# The night run: every job of a day from raw exports to finished models and a report, then the day board.
#   Usage: bash workflow/night.sh DAY [options]
#     --jobs a,b      only these jobs (folders of the day)
#     --cores N       processors to use (all that no other night on this machine uses)
#     --memory GB     memory to use (of nine tenths of what the machine or container has, what no other night uses)
#     --cluster       run the stages on a SLURM cluster, from its login node, by workflow/profiles/slurm
#     --notify PROGRAM call this program when the night has ended, with its outcome and the path of the board
#     --dry-run       say what would run and why, and run nothing
#     --release-check say in a minute, from a sample of the files, which vehicles may leave and what to scan again
#     --watch         with --release-check: check again whenever a file changes, until Ctrl-C
# The exit code is 0 when every job ended, complete or refused with its reason; 1 when a job failed or a process of the
# night was killed; 2 for a wrong call; 128 and its number when a signal ended the night.
# Of a release check it is 0 when every vehicle may leave, 1 when one may not or can't be told yet, 2 for a wrong call.
set -uo pipefail
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)

usage() {
    echo "$1" >&2
    sed -n '/^#   Usage/,/^# The exit code/{/^# The exit/!s/^# \{0,1\}//p}' "${BASH_SOURCE[0]}" >&2
    exit 2
}
whole() { case "$2" in "" | *[!0-9]* | 0) usage "$1 is '$2': a whole number of at least 1 is needed." ;; esac; }

given=("$@")
day="" jobs="" cores="" memory="" cluster="" notify="" dry="" release="" watch=""
while [ $# -gt 0 ]; do
    case "$1" in
        --jobs | --cores | --memory | --notify) [ $# -ge 2 ] || usage "$1 needs a value." ;;&
        --jobs) jobs=$2 && shift ;;
        --cores) whole "$1" "$2" && cores=$2 && shift ;;
        --memory) whole "$1" "$2" && memory=$2 && shift ;;
        --cluster) cluster=yes ;;
        --notify) notify=$2 && shift ;;
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
unset PYTHONPATH
export PYTHONSAFEPATH=1 PYTHONUTF8=1

set_up() {
    exec 8<> <(:) # a pipe, both ends of it
    set -m # a process group of its own, which a signal takes along
    (cd "$root" && exec bash envs/setup.sh) >&8 8>&- &
    setting_up=$!
    set +m
    trap end_set_up TERM INT HUP
    wait "$setting_up" || exit 2 # a signal interrupts a wait; a command in the foreground would hold the trap back
    read -r -t 1 python <&8
    exec 8>&-
    trap - TERM INT HUP
}
end_set_up() {
    kill -TERM -- -"$setting_up" 2>/dev/null
    sleep 1
    kill -KILL -- -"$setting_up" 2>/dev/null
    echo "Ended by a signal while the environment was set up; run the same command to go on." >&2
    exit 143
}

kilobytes() { du -skc "$@" 2>/dev/null | awk 'END {print $1 + 0}'; }
size() { awk -v kb="$1" 'BEGIN {if (kb < 1e3) print kb " kB"; else if (kb < 1e6) printf "%.0f MB\n", kb / 1e3; else printf "%.1f GB\n", kb / 1e6}'; }
free_kb() { df -Pk "$day" | awk 'NR == 2 {print $4}'; }
# Results took 10 to 16 times the size of the raw files (day of the demo, a van of 15 and of 60 million points).
to_come_kb() { echo $((16 * $(kilobytes "$day"/*/raw) - $(kilobytes "$day/results"))); }
full() { [ "$(free_kb)" -lt 1000 ]; } # less than a night's own notes may take
say_full() {
    local needed
    needed=$(to_come_kb)
    [ "$needed" -gt 1000 ] || needed=1000
    echo "The disk of $day is full: free some space ($(size "$(free_kb)") are free, up to $(size "$needed") may be needed) and run the same command, it goes on where it stopped." >&2
}

if [ -z "${NIGHTBAY_PHASE:-}" ]; then
    if [ -n "$cluster" ] && [ ! -w "${HOME:-/nonexistent}" ]; then
        echo "--cluster needs a home folder that all nodes see, and ${HOME:-none} can't be written to: set HOME to one." >&2
        exit 2
    fi
    set_up
    # The day folder's own mode says whether its group may go on with the day.
    case $(ls -ld -- "$day") in d????w*) umask g=rwx ;; esac
    if ! mkdir -p "$day/.nightbay" "$day/logs/night"; then
        if full; then say_full; else
            echo "The night run can't keep its files in $day/.nightbay and $day/logs/night: see that they are folders that can be written to." >&2
        fi
        exit 2
    fi
    kind=here
    [ -z "$cluster" ] || kind=cluster
    [ -z "$dry" ] || kind=dry
    [ -z "$release" ] || kind=check
    # What follows runs below a guard, which comes back here and ends all of it when the night is ended.
    export NIGHTBAY_PYTHON="$python"
    PYTHONPATH="$root/workflow/scripts${PYTHONPATH:+:$PYTHONPATH}" exec "$python" -m nightbay.night.command "$day" ${cores:+--cores "$cores"} \
        ${memory:+--memory "$memory"} ${notify:+--notify "$notify"} --kind "$kind" -- bash "$root/workflow/night.sh" "${given[@]}"
else
    python=$NIGHTBAY_PYTHON cores=$NIGHTBAY_CORES memory=$NIGHTBAY_MEMORY_GB log=$NIGHTBAY_LOG events="${NIGHTBAY_LOG%.log}.events.jsonl"
fi
cd "$root" || exit 2

# Beside a night that may be running: the guard took no lock.
if [ -n "$release" ]; then
    [ "$NIGHTBAY_PHASE" = body ] || { echo "Ended." && exit; }
    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 PYTHONPATH="$root/workflow/scripts" PYTHONUNBUFFERED=1 \
        "$python" -m nightbay.release.command "$day" ${jobs:+--jobs "$jobs"} ${watch:+--watch}
    exit
fi

if [ -n "$cluster" ]; then
    where=(--profile "$root/workflow/profiles/slurm")
else
    where=(--profile "$root/workflow/profiles/workstation" --cores "$cores" --resources "mem_mb=$((memory * 1000))")
fi
call() {
    # Targets first: Snakemake's options with several values would swallow them.
    PYTHONPATH="$root/workflow/logger:$root/workflow/scripts${PYTHONPATH:+:$PYTHONPATH}" PYTHONUNBUFFERED=1 "$python" -m snakemake "$@" --snakefile "$root/Snakefile" --directory "$day" \
        --workflow-profile none "${where[@]}"
}
on_cluster() { PYTHONPATH="$root/workflow/scripts" "$python" -m nightbay.planning.cluster "$@"; }
keep_board() { PYTHONPATH="$root/workflow/scripts" "$python" -m night_board "$day" "$@"; }
targets_of() { PYTHONPATH="$root/workflow/scripts" "$python" -m nightbay.planning.targets "$@"; }
summary() { PYTHONPATH="$root/workflow/scripts" "$python" -m nightbay.planning.night "$@"; }

submitted="$day/.nightbay/submitted" # there while jobs of this day may be on a cluster
# The night was ended by a signal or the kill of a process, and none of its processes is left.
if [ "$NIGHTBAY_PHASE" = ending ]; then
    echo "Ended by $NIGHTBAY_ENDED_BY; finished stages are kept, run the same command to go on." >&2
    [ -z "$dry" ] || exit 0
    [ ! -e "$events" ] || echo '{"event": "stopped"}' >>"$events" # what has no end was ended, and did not fail
    # On a cluster Snakemake would have waited for its jobs; now no more are submitted, and those that are go by name.
    if [ -e "$submitted" ]; then on_cluster cancel "$day"; fi
    if full; then say_full; fi
    keep_board >>"$log" 2>&1 </dev/null || echo "The day board could not be made; see $log" >&2
    exit 0
fi

# The plan comes first: a fault of the whole day ends the call, and refused jobs are named before anyone goes home.
targets=$(targets_of "$day" ${jobs:+"$jobs"}) || exit 2
targets=($targets) # names of jobs hold no space
names=$(printf '%s,' "${targets[@]##*/}") && names=${names//.json,/,} && names=${names%,}
[ -n "$jobs" ] || targets=(all)

# With the day's lock held, a lock that Snakemake left behind belongs to a run that was killed.
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
if [ -n "$cluster" ] || [ -e "$submitted" ]; then on_cluster cancel "$day" 120 || exit 2; fi
rm -f "$submitted"
if [ -n "$cluster" ]; then
    : >"$submitted" || exit 2
    name=$(on_cluster name "$day") || exit 2 # without it, nothing finds these jobs again
    where+=(--slurm-jobname-prefix "$name")
fi

to_come=$(to_come_kb) free=$(free_kb)
if [ "$to_come" -gt "$free" ]; then
    echo "The disk of $day has $(size "$free") free, and results of up to $(size "$to_come") may come: free some, or the night may end early." >&2
fi

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
    work >>"$log" 2>&1 &
    night=$!
    tail --pid="$night" -n +1 -F "$events" 2>/dev/null | keep_board "$names" >>"$log" 2>&1 &
    keeper=$!
    tail --pid="$night" -n +1 -F "$events" 2>/dev/null | summary progress "$day"
    wait "$night"
    status=$?
    wait "$keeper"
    [ "$status" -gt 1 ] || rm -f "$submitted" # Snakemake that was not killed ends after its jobs
    [ "$status" -ne 0 ] || grep -qs '"job_info"' "$events" || summary plan </dev/null # says that there was nothing to do
fi

if [ "$status" -gt 128 ]; then
    echo "Snakemake was ended by signal $((status - 128)); finished stages are kept, run the same command to go on." >&2
elif grep -qs '"job_error"' "$events"; then
    echo "Some stages failed; see $log" >&2
elif [ "$status" -ne 0 ]; then
    echo "Not all stages came to run; see $log" >&2
fi
# Forced, for it costs a second, and Snakemake does not ask for a board anew whose records it has lost.
call board --forcerun board --quiet all >>"$log" 2>&1 || { echo "The day board could not be made; see $log" >&2; status=1; }
if [ -e "$day/results/board/board.json" ]; then
    PYTHONPATH="$root/workflow/scripts" "$python" -m night_history "$day"
    summary table "$day"
fi
if [ "$status" -ne 0 ]; then
    if full || grep -Eqrs --exclude-dir=night "No space left on device|Disk quota exceeded" "$log" "$day/logs"; then say_full; fi
    exit 1
fi
