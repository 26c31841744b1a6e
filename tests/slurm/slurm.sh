#!/usr/bin/env bash
# Makes a SLURM of a login node and two nodes in the namespaces that it is called in, with accounting and, where the kernel
# has control groups of version 1, limits of memory, and runs a command there as root.
#   Usage: unshare --mount --pid --cgroup --fork --kill-child --mount-proc bash tests/slurm/slurm.sh SCRATCH VENVS COMMAND...
# VENVS is where environments lie: the clone below SCRATCH finds them as its own. The user who runs nights is `technician`.
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
scratch=$1 venvs=$2
shift 2
groups=/sys/fs/cgroup

if [ -z "${NETWORK_APART:-}" ]; then
    for folder in usr etc var root; do
        mkdir -p "$scratch/root/$folder" "$scratch/root/.work-$folder"
        mount -t overlay overlay -o \
            "lowerdir=/$folder,upperdir=$scratch/root/$folder,workdir=$scratch/root/.work-$folder" "/$folder"
    done
    mount -t tmpfs tmpfs /run
    mount -t tmpfs tmpfs /home
    # The group that this was started in becomes the root: groups of jobs lie below it and count to it.
    mount -t tmpfs tmpfs "$groups"
    mkdir "$groups/memory"
    mount -t cgroup -o memory cgroup "$groups/memory" || rmdir "$groups/memory"
    chmod a+x /root # where the base Python of the environment may lie
    if ! command -v slurmctld >/dev/null; then
        printf '#!/bin/sh\nexit 101\n' >/usr/sbin/policy-rc.d # no daemon starts by itself
        chmod +x /usr/sbin/policy-rc.d
        apt-get -qq update
        DEBIAN_FRONTEND=noninteractive apt-get -qq install -y --no-install-recommends \
            munge mariadb-server slurmdbd slurm-wlm iproute2 >"$scratch/apt.log" 2>&1
    fi
    id technician >/dev/null 2>&1 || useradd technician --shell /bin/bash
    install -d -o technician /home/technician
    chown -R technician: "$scratch/cluster" "$scratch/alone" "$scratch/nightbay"
    mount --bind -o ro "$venvs" "$scratch/nightbay/envs/.venvs"
    NETWORK_APART=yes exec unshare --net --uts bash "${BASH_SOURCE[0]}" "$scratch" "$venvs" "$@"
fi
source "$here/nodes.sh"

hostname login
# Addresses that are no loopback: names are not resolved for listening without one.
printf '127.0.0.1 localhost\n192.0.2.1 login\n192.0.2.2 node1\n192.0.2.3 node2\n' >/etc/hosts
ip link set lo up
for host in 1 2 3; do ip address add "192.0.2.$host/32" dev lo; done

limit=none
if [ -d "$groups/memory" ]; then limit=cgroup; fi
# Halves of this machine; fuse asks for two processors.
megabytes=$(awk '/MemTotal/ {print int($2 / 1024 * 0.45)}' /proc/meminfo)
processors=$(($(nproc --all) / 2))
if [ "$processors" -lt 2 ]; then processors=2; fi
mkdir -p /etc/slurm /var/lib/slurm/ctld /var/lib/slurm/d/node1 /var/lib/slurm/d/node2 /run/munge /run/mysqld /var/log/slurm
cat >/etc/slurm/slurm.conf <<END
ClusterName=night
SlurmctldHost=login
SlurmUser=slurm
StateSaveLocation=/var/lib/slurm/ctld
SlurmdSpoolDir=/var/lib/slurm/d/%n
SlurmctldLogFile=/var/log/slurm/slurmctld.log
SlurmdLogFile=/var/log/slurm/slurmd.%n.log
SlurmctldPidFile=/run/slurmctld.pid
SlurmdPidFile=/run/slurmd.%n.pid
ProctrackType=proctrack/linuxproc
TaskPlugin=task/$limit
SelectType=select/cons_tres
SelectTypeParameters=CR_CPU_Memory
JobAcctGatherType=jobacct_gather/linux
AccountingStorageType=accounting_storage/slurmdbd
AccountingStorageHost=login
MailProg=/bin/true
SlurmdTimeout=15
KillWait=5
ReturnToService=2
NodeName=node1 Port=6821 CPUs=$processors RealMemory=$megabytes
NodeName=node2 Port=6822 CPUs=$processors RealMemory=$megabytes
PartitionName=night Nodes=node1,node2 LLN=YES Default=YES MaxTime=INFINITE State=UP
END
cat >/etc/slurm/cgroup.conf <<END
CgroupPlugin=cgroup/v1
ConstrainRAMSpace=yes
END
cat >/etc/slurm/slurmdbd.conf <<END
DbdHost=login
SlurmUser=slurm
StorageType=accounting_storage/mysql
StorageHost=localhost
StorageUser=slurm
StorageLoc=slurm_acct_db
LogFile=/var/log/slurm/slurmdbd.log
PidFile=/run/slurmdbd.pid
END
chmod 600 /etc/slurm/slurmdbd.conf
chown -R slurm: /etc/slurm/slurmdbd.conf /var/lib/slurm /var/log/slurm
chown munge: /run/munge
chown mysql: /run/mysqld
rm -rf /var/lib/slurm/ctld/* /var/lib/slurm/d/*/*

# Waits until a command succeeds: "until_up NAME COMMAND...".
until_up() {
    local name=$1
    shift
    for _ in $(seq 60); do
        if "$@" >/dev/null 2>&1; then return; fi
        sleep 1
    done
    echo "$name did not start; see $scratch/root/var/log" >&2
    exit 1
}
runuser -u munge -- /usr/sbin/munged
mariadbd --user=mysql --skip-networking --socket=/run/mysqld/mysqld.sock >/var/log/mariadb.log 2>&1 &
until_up mariadb mariadb-admin --socket=/run/mysqld/mysqld.sock ping
mariadb -e "drop database if exists slurm_acct_db; create database slurm_acct_db;
    create or replace user slurm@localhost identified via unix_socket; grant all on slurm_acct_db.* to slurm@localhost"
runuser -u slurm -- /usr/sbin/slurmdbd -D >/dev/null 2>&1 &
until_up slurmdbd sacctmgr -n show cluster
sacctmgr -i add cluster night >/dev/null || true
sacctmgr -i add account shop cluster=night >/dev/null
sacctmgr -i add user technician account=shop >/dev/null
/usr/sbin/slurmctld -D >/dev/null 2>&1 & # drops to SlurmUser by itself
until_up slurmctld scontrol ping
end_nodes() {
    for node in node1 node2; do power_off "$node" 2>/dev/null || true; done
    sleep 1 # groups can go when they are empty
    find "$groups" -depth -type d -path "$groups/memory/slurm*" -exec rmdir {} + || true
}
trap end_nodes EXIT
for node in node1 node2; do
    power_on "$node"
    start_daemon "$node"
    until_up "slurmd of $node" sh -c "sinfo -h -N -n $node -o %T | grep -q idle"
done
echo "SLURM is up, limit of memory: $limit; $(sinfo -h -o '%N with %c processors and %m MB each, %T')"
"$@"
