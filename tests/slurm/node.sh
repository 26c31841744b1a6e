#!/usr/bin/env bash
# The first process of a node of tests/slurm/nodes.sh: makes the node's own folder for temporary files, and stays.
#   Usage: unshare --mount --uts --pid --fork --mount-proc bash tests/slurm/node.sh NODE SCRATCH
set -euo pipefail
node=$1 scratch=$2
mkdir -p "/run/kept/$node"
mount --rbind "$scratch" "/run/kept/$node" # SCRATCH may lie in /tmp itself
mount --bind "$scratch/tmp/$node" /tmp
mkdir -p "$scratch"
mount --rbind "/run/kept/$node" "$scratch"
hostname "$node"
while :; do # bash, for it takes leave of orphans
    sleep 3600 &
    wait $!
done
