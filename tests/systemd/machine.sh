#!/usr/bin/env bash
# Makes a small system in the namespaces that it is called in and becomes its process 1, systemd.
#   Usage: unshare --mount --pid --uts --ipc --net --cgroup --fork bash tests/systemd/machine.sh SCRATCH VENVS PYTHON
# PYTHON is that of the environment in VENVS. The project lies in /opt/nightbay, the day folders in /srv/scans.
set -euo pipefail
scratch=$1 venvs=$2 python=$3
root=$scratch/root

hostname shop
mkdir -p "$root"
mount --make-rprivate /
mount -t tmpfs -o mode=755 tmpfs "$root"
cd "$root"
mkdir -p dev etc opt/nightbay proc root run srv/scans sys tmp usr var/{cache,lib,log,tmp} etc/systemd/system
chmod 1777 tmp var/tmp
for link in bin sbin lib lib32 lib64; do
    [ ! -L "/$link" ] || cp -P "/$link" .
done
shown() { # SOURCE PLACE: not to be written to
    mkdir -p "$root$2"
    mount --bind "$1" "$root$2"
    mount -o remount,bind,ro "$root$2"
}
shown /usr /usr
[ ! -d /etc/alternatives ] || shown /etc/alternatives /etc/alternatives # which programs of /usr are links to
shown "$scratch/nightbay" /opt/nightbay
shown "$(readlink -f "$venvs")" /opt/nightbay/envs/.venvs
base=$("$python" -c "import sys; print(sys.base_prefix)")
case "$base" in /usr | /usr/*) ;; *) shown "$base" "$base" ;; esac
mount --bind "$scratch/scans" srv/scans

mount -t proc proc proc
mount --bind proc/sys proc/sys && mount -o remount,bind,ro proc/sys # settings of the machine's kernel
mount -t sysfs -o ro sysfs sys
mount -t tmpfs -o mode=755 tmpfs sys/fs/cgroup
while IFS=: read -r _ controllers _; do # each shows what lies below this process's group
    at=${controllers#name=}
    mkdir "sys/fs/cgroup/${at:=unified}"
    case "$controllers" in
        "") mount -t cgroup2 cgroup2 "sys/fs/cgroup/$at" ;;
        name=*) mount -t cgroup -o "none,$controllers" cgroup "sys/fs/cgroup/$at" ;;
        *) mount -t cgroup -o "$controllers" cgroup "sys/fs/cgroup/$at" ;;
    esac
done </proc/self/cgroup
mount -t tmpfs -o mode=755 tmpfs run
mount -t tmpfs -o mode=755 tmpfs dev
for node in null zero full random urandom tty; do
    touch "dev/$node" && mount --bind "/dev/$node" "dev/$node"
done
ln -s /proc/self/fd dev/fd
mkdir dev/shm && mount -t tmpfs -o mode=1777 tmpfs dev/shm
mkdir -m 1777 run/lock

cp /etc/ld.so.cache etc/
echo 'root:x:0:0::/root:/bin/bash
nobody:x:65534:65534::/nonexistent:/usr/sbin/nologin
nightbay:x:990:990::/nonexistent:/usr/sbin/nologin' >etc/passwd
echo 'root:x:0:
nogroup:x:65534:
nightbay:x:990:' >etc/group
echo 'passwd: files
group: files' >etc/nsswitch.conf
echo 6e6967687462617900000000000000ff >etc/machine-id # with one, systemd enables nothing by itself
: >etc/fstab
# What is marked "Change" in the units, and nothing else.
units=/opt/nightbay/workflow/systemd
printf '#!/bin/sh\necho "$1 $2" >>/srv/scans/told\n' >opt/tell-the-shop
chmod +x opt/tell-the-shop
sed 's,/usr/local/bin/tell-the-shop,/opt/tell-the-shop,' ".$units/nightbay.service" >etc/systemd/system/nightbay.service
cp ".$units/nightbay.timer" etc/systemd/system/
# Only what these units ask for is started, and a journal.
cat >etc/systemd/system/shop.target <<END
[Unit]
Requires=basic.target
After=basic.target
AllowIsolate=yes
END
for unit in systemd-udevd systemd-udev-trigger systemd-modules-load systemd-sysctl systemd-random-seed systemd-binfmt \
    systemd-hwdb-update systemd-timesyncd systemd-firstboot; do
    ln -s /dev/null "etc/systemd/system/$unit.service"
done
for mount in dev-hugepages dev-mqueue sys-kernel-debug sys-kernel-tracing sys-kernel-config sys-fs-fuse-connections; do
    ln -s /dev/null "etc/systemd/system/$mount.mount"
done

mkdir -p old
pivot_root . old
umount -l /old
export container=other PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin
unset ${!NIGHTBAY_*} OMP_NUM_THREADS OPENBLAS_NUM_THREADS
exec /usr/lib/systemd/systemd --unit=shop.target --show-status=no --log-target=console --log-level=info </dev/null
