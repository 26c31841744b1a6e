#!/usr/bin/env bash
# The nights of tests/cluster.sh, on a SLURM that tests/slurm/slurm.sh made: one without SLURM, then one of the same day with
# it, in five calls: ended by a signal; killed; the first vehicle, while a node fails for good; all, while a daemon dies, a job
# is cancelled, a stage takes more memory than its job has, and the node that is left fails and comes back; with nothing to do.
# Leaves what happened in SCRATCH/events.json, and the jobs of SLURM in SCRATCH/jobs.txt.
#   Usage: bash tests/slurm/nights.sh SCRATCH
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
scratch=$1
source "$here/nodes.sh"
day="$scratch/cluster/day"
results="$day/results"
vehicles=("$day"/*/job.yaml)
first=$(basename "$(dirname "${vehicles[0]}")") last=$(basename "$(dirname "${vehicles[-1]}")")

as_technician() { runuser -u technician -- env HOME=/home/technician "$@"; }
night() { as_technician bash "$scratch/nightbay/workflow/night.sh" "$@"; }
in_background() { # its own process group, as from a terminal; sets $pid, which is the night's own
    setsid runuser -u technician -- env HOME=/home/technician bash -c 'echo $$ >"$1"; shift; exec bash "$@"' \
        bash "$scratch/cluster/pid" "$scratch/nightbay/workflow/night.sh" "$@" >>"$scratch/cluster/night.log" 2>&1 &
    call=$!
    for _ in $(seq 50); do [ -s "$scratch/cluster/pid" ] && break || sleep 0.1; done
    pid=$(cat "$scratch/cluster/pid")
    rm "$scratch/cluster/pid"
}
has_jobs() { [ -n "$(squeue -h -t R "$@")" ]; }
waits_for() { # "waits_for SECONDS WHAT COMMAND...": until the command succeeds
    local until=$((SECONDS + $1)) what=$2
    shift 2
    until "$@" >/dev/null 2>&1; do
        [ "$SECONDS" -lt "$until" ] || { echo "No $what; see $scratch/cluster/night.log" >&2; sinfo -N >&2; squeue >&2; exit 1; }
        sleep 1
    done
}
is_down() { timeout 5 sinfo -h -N -o "%N %T" | grep "^$1 down"; } # not -q, which may end sinfo by SIGPIPE
count() { find "$1" -name '*.json' -not -path '*/board/*' 2>/dev/null | wc -l; }
finished() { [ "$(count "$1")" -ge "$2" ]; }
half() { echo $(($(count "$scratch/alone/day/results/$1") / 2)); }
below() { # all processes below one, itself included
    echo "$1"
    for child in $(pgrep -P "$1"); do below "$child"; done
}
calls() { # of Snakemake in the newest night of the day, without that for the board
    local log
    log=$(find "$day/logs/night" -name '*.log' -printf '%T@ %p\n' | sort -n | tail -n 1 | cut -d ' ' -f 2-)
    grep -c '^SLURM run ID' "$log" || true
}
accounted() { sacct -X -n -D -a -S now-1days "$@"; }
ended_on() { accounted -o state%20,nodelist%20 | grep -c "^ *$1 *$2 *$" || true; } # jobs with a state, on a node

# One stage takes so much where SLURM runs it: more than its job has in the first attempt, less than in the second. It is
# no memory of the process, so the night's own watch does not see it: whoever ends the stage is the kernel.
cat >"$scratch/nightbay/workflow/scripts/measure.py" <<END
import os

from nightbay.measure import measure
from nightbay.pipeline import stage


def planted(upstream, *others):
    if "SLURM_JOB_ID" in os.environ and snakemake.wildcards.job == "$last":
        held = os.memfd_create("held")
        for _ in range(100):
            os.write(held, bytes(10_000_000))
    return measure.measure(upstream, *others)


stage.run(snakemake, planted)
END

since=$SECONDS
night "$scratch/alone/day" >"$scratch/alone/night.log" 2>&1 || true
alone_s=$((SECONDS - since))
echo "Without SLURM: $(count "$scratch/alone/day/results") results in $alone_s s"

since=$SECONDS
in_background "$day" --cluster
waits_for 300 "result of the first call" finished "$results" 1
waits_for 300 "job to end" has_jobs
stop=$SECONDS
kill -TERM "$pid"
wait "$call" && ended=0 || ended=$?
stop_s=$((SECONDS - stop))
waits_for 60 "end of the cancelled jobs" sh -c '[ -z "$(squeue -h)" ]'
echo "SIGTERM: exit code $ended after $stop_s s; SLURM has no job left"

in_background "$day" --cluster
waits_for 300 "job to leave behind" has_jobs
kill -KILL -- $(below "$pid") 2>/dev/null || true
wait "$call" || true
left=$(squeue -h | wc -l)
echo "SIGKILL: $left jobs left behind"

in_background "$day" --cluster --jobs "$first"
waits_for 400 "job of the third call" sh -c "[ \$(grep -c Cancelled '$scratch/cluster/night.log') -ge 2 ]" # by both before
waits_for 900 "half of the results of $first" finished "$results/$first" "$(half "$first")"
waits_for 300 "job for a node to lose" has_jobs
gone=$(squeue -h -t R -o %N | head -n 1)
if [ "$gone" = node1 ]; then node=node2; else node=node1; fi # which is left
moved=$(squeue -h -t R -w "$gone" -o %i)
power_off "$gone"
waits_for 120 "node that is down" is_down "$gone"
echo "$gone failed for good with job" $moved
wait "$call" && status_of_first=0 || status_of_first=$?
calls_of_first=$(calls)
taken_over=0
for job in $moved; do
    if accounted -j "$job" -o state%20,nodelist%20 | grep "COMPLETED *$node" >&2; then taken_over=$((taken_over + 1)); fi
done
echo "$first ended with exit code $status_of_first in $calls_of_first call of Snakemake; $node took $taken_over jobs over"

in_background "$day" --cluster
waits_for 400 "job for the daemon to leave" has_jobs
kill_daemon "$node"
sleep 5
start_daemon "$node" # within SlurmdTimeout: the job goes on
echo "Daemon of $node killed and started again"
waits_for 300 "job to cancel" has_jobs
cancelled=$(squeue -h -t R -o %i | head -n 1)
scancel "$cancelled" # as an administrator may: the night tries it once more
echo "Job $cancelled cancelled"
waits_for 900 "half of the results of $last" finished "$results/$last" "$(half "$last")"
waits_for 300 "job for the node to lose" has_jobs
lost=$(squeue -h -t R -o %i | head -n 1)
power_off "$node"
waits_for 120 "node that is down" is_down "$node"
power_on "$node"
start_daemon "$node"
echo "$node, the only one left, failed with job $lost, and came back"
wait "$call" && status=0 || status=$?
slurm_s=$((SECONDS - since))
tail -n 8 "$scratch/cluster/night.log"

second=$(night "$day" --cluster 2>&1) || true
alone_again=$(night "$day" --dry-run 2>&1) || true
attempts=$(cat "$(find "$day/logs/$last/measure" -name "*.attempts.json" | sort | head -n 1)")
cat >"$scratch/events.json" <<END
{"ended": $ended, "stop_s": $stop_s, "left_behind": $left,
 "exit_code_first": $status_of_first, "calls_first": $calls_of_first, "taken_over": $taken_over,
 "node_failures": [$(ended_on NODE_FAIL node1), $(ended_on NODE_FAIL node2)], "cancelled": $cancelled, "exit_code": $status,
 "completed": [$(ended_on COMPLETED node1), $(ended_on COMPLETED node2)], "alone_s": $alone_s, "slurm_s": $slurm_s,
 "limit": $([ -d /sys/fs/cgroup/memory ] && echo true || echo false), "attempts": $attempts,
 "nothing_to_do": $(grep -q "Nothing to do" <<<"$second" && grep -q "Nothing to do" <<<"$alone_again" && echo true || echo false)}
END
accounted -o "jobid,state%14,nodelist,elapsed,reqcpus,reqmem,comment%60" >"$scratch/jobs.txt"
