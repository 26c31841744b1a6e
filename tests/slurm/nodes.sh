#!/usr/bin/env bash
# Functions for the nodes of tests/slurm/slurm.sh, to be sourced. Each node has its own host name, processes and temporary
# files, as another machine would have; the network and every other folder are those of the login node.
# Needs $scratch, and $here, the folder of this file.

power_on() { # "power_on NODE": a node without daemons
    mkdir -p /run/nodes "$scratch/tmp/$1"
    chmod 1777 "$scratch/tmp/$1"
    unshare --mount --uts --pid --fork --kill-child --mount-proc bash "$here/node.sh" "$1" "$scratch" \
        </dev/null >>"$scratch/nodes.log" 2>&1 &
    until pgrep -P $! >"/run/nodes/$1"; do sleep 0.1; done
    until [ "$(on "$1" hostname)" = "$1" ] && on "$1" mountpoint -q "$scratch"; do sleep 0.1; done
}
power_off() { kill -KILL "$(cat "/run/nodes/$1")"; } # its first process: the kernel ends all others at once
on() { # "on NODE COMMAND...", as root
    local node=$1
    shift
    nsenter --target "$(cat "/run/nodes/$node")" --mount --uts --pid -- "$@"
}
start_daemon() { on "$1" /usr/sbin/slurmd; }
kill_daemon() { on "$1" sh -c "kill -KILL \$(cat /run/slurmd.$1.pid)"; }
