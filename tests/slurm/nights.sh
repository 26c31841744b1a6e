#!/usr/bin/env bash
# The nights of tests/cluster.sh, on a SLURM that tests/slurm/node.sh made: one without SLURM, then one of the same day with
# it, in four calls: ended by a signal; killed; through a daemon that dies, a job that is cancelled and a node that fails;
# with nothing to do.
# Leaves what happened in SCRATCH/events.json.
#   Usage: bash tests/slurm/nights.sh SCRATCH
set -euo pipefail
scratch=$1
day="$scratch/cluster/day"
results="$day/results"

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
has_jobs() { [ -n "$(squeue -h -t R)" ]; }
waits_for() { # "waits_for SECONDS WHAT COMMAND...": until the command succeeds
    local until=$((SECONDS + $1)) what=$2
    shift 2
    until "$@" >/dev/null 2>&1; do
        [ "$SECONDS" -lt "$until" ] || { echo "No $what; see $scratch/cluster/night.log" >&2; exit 1; }
        sleep 1
    done
}
finished() { [ "$(find "$results" -name '*.json' 2>/dev/null | wc -l)" -ge "$1" ]; }
below() { # all processes below one, itself included
    echo "$1"
    for child in $(pgrep -P "$1"); do below "$child"; done
}

since=$SECONDS
night "$scratch/alone/day" >"$scratch/alone/night.log" 2>&1 || true
alone_s=$((SECONDS - since))
total=$(find "$scratch/alone/day/results" -name '*.json' -not -path '*/board/*' | wc -l)
echo "Without SLURM: $total results in $alone_s s"

since=$SECONDS
in_background "$day" --cluster
waits_for 300 "result of the first call" finished 1
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

in_background "$day" --cluster
waits_for 400 "job of the third call" sh -c "[ \$(grep -c Cancelled '$scratch/cluster/night.log') -ge 2 ]" # by both before
waits_for 300 "job for the daemon to leave" has_jobs
kill -KILL "$(cat /run/slurmd.pid)"
sleep 5
/usr/sbin/slurmd # within SlurmdTimeout: the job goes on
echo "Daemon of the node killed and started again"
waits_for 300 "job to cancel" has_jobs
cancelled=$(squeue -h -t R -o %i | head -n 1)
scancel "$cancelled" # as an administrator may: the night tries it once more
echo "Job $cancelled cancelled"
waits_for 900 "half of the results" finished $((total / 2))
waits_for 300 "job for the node to lose" has_jobs
# A node without power: neither daemon nor job is left.
lost=$(squeue -h -t R -o %i | head -n 1)
kill -KILL "$(cat /run/slurmd.pid)" $(for step in $(pgrep slurmstepd); do below "$step"; done) 2>/dev/null || true
waits_for 120 "node that is down" sh -c "sinfo -h -o %T | grep -q down"
/usr/sbin/slurmd
echo "Node failed with job $lost, and came back"
wait "$call" && status=0 || status=$?
slurm_s=$((SECONDS - since))
tail -n 8 "$scratch/cluster/night.log"

second=$(night "$day" --cluster 2>&1) || true
alone_again=$(night "$day" --dry-run 2>&1) || true
failed=$(sacct -X -n -D -a -S now-1days -o state%20 | grep -c NODE_FAIL || true)
jobs=$(sacct -X -n -a -S now-1days -o jobid | wc -l)
cat >"$scratch/events.json" <<END
{"ended": $ended, "stop_s": $stop_s, "left_behind": $left, "node_failures": $failed, "cancelled": $cancelled, "exit_code": $status,
 "slurm_jobs": $jobs, "alone_s": $alone_s, "slurm_s": $slurm_s,
 "nothing_to_do": $(grep -q "Nothing to do" <<<"$second" && grep -q "Nothing to do" <<<"$alone_again" && echo true || echo false)}
END
sacct -X -n -D -a -S now-1days -o "jobid,state%12,elapsed,reqcpus,reqmem,comment%60" >"$scratch/jobs.txt"
