#!/usr/bin/env bash
# Runs the README's commands in a bare Debian, as an ordinary user: for whoever changes the set-up or the lock.
#   Usage: bash tests/bare_root.sh [options] [command ...]
#     --root DIR       where the bare system lies; one that is there is used again, and a named one is kept
#     --suite NAME     the system's release (bookworm)
#     --mirror URL     where debootstrap fetches it (debootstrap's own)
#     --packages A,B   packages to add to it, besides Python, its venv module, certificates and git
#     --python PREFIX  a Python of this machine to bring in and to set up with, such as /opt/python3.13
# A command is one argument and starts in a fresh clone of the last commit; without one, the README's two are run.
# It needs root (debootstrap, chroot, mounts) and debootstrap. Mounts are made in a namespace of their own and go with it.
# How the caller's pip and apt reach their servers is carried over: proxies, indexes, certificates.
set -euo pipefail
project=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)

root="" suite=bookworm mirror="" packages="" prefix=""
while [ $# -gt 0 ]; do
    case "$1" in
        --root) root=$2 ;;
        --suite) suite=$2 ;;
        --mirror) mirror=$2 ;;
        --packages) packages=,$2 ;;
        --python) prefix=$2 ;;
        -*) sed -n '2,8s/^# \{0,1\}//p' "${BASH_SOURCE[0]}" >&2 && exit 2 ;;
        *) break ;;
    esac
    shift 2
done
[ $# -gt 0 ] || set -- "bash demo/run.sh" "bash tests/run.sh"
if [ "$(id -u)" -ne 0 ] || ! command -v debootstrap >/dev/null; then
    echo "The bare system is made by root, with debootstrap: become root, and install debootstrap." >&2
    exit 2
fi

if [ -z "${IN_OWN_NAMESPACE:-}" ]; then
    if [ -z "$root" ]; then
        root=$(mktemp -d)
        trap 'rm -rf "$root"' EXIT
        chmod 755 "$root"
    fi
    IN_OWN_NAMESPACE=yes unshare --mount --pid --fork --kill-child bash "${BASH_SOURCE[0]}" --root "$root" \
        --suite "$suite" --mirror "$mirror" --packages "${packages#,}" --python "$prefix" "$@"
    exit
fi

home=/home/technician
if [ ! -d "$root$home" ]; then
    debootstrap --variant=minbase --include="python3,python3-venv,ca-certificates,git$packages" \
        "$suite" "$root" ${mirror:+"$mirror"} >&2
    chroot "$root" useradd --create-home technician
fi

# What pip, apt and TLS are told on this machine.
cp -L /etc/resolv.conf /etc/hosts "$root/etc/"
if [ -d /usr/local/share/ca-certificates ]; then
    cp -r /usr/local/share/ca-certificates "$root/usr/local/share/"
    chroot "$root" update-ca-certificates >/dev/null 2>&1
fi
apt-config dump | grep '^Acquire::' >"$root/etc/apt/apt.conf.d/99caller" || true
settings=()
while IFS= read -r -d '' setting; do
    case "$setting" in SSL_CERT_*=* | REQUESTS_CA_BUNDLE=* | *_proxy=* | *_PROXY=*) settings+=("$setting") ;; esac
done < <(env -0)
while IFS== read -r key value; do # such as global.index-url='https://...'
    key=${key##*.} value=${value#\'} value=${value%\'}
    case "$key=$value" in
        *file:*) ;; # a folder of this machine
        cert=* | client-cert=* | proxy=* | index-url=* | extra-index-url=* | trusted-host=* | *timeout=* | retries=*)
            key=${key//-/_} && settings+=("PIP_${key^^}=$value") ;;
    esac
done < <(python3 -m pip config list)
for setting in "${settings[@]}"; do # certificates that lie elsewhere than where Debian keeps them
    file=${setting#*=}
    if [ -f "$file" ] && [ ! -e "$root$file" ]; then install -D -m 644 "$file" "$root$file"; fi
done

mount -t proc proc "$root/proc"
mount -t tmpfs -o mode=1777 tmpfs "$root/dev/shm"
if [ -n "$prefix" ]; then
    mkdir -p "$root$prefix" # at the same place: its libraries may be looked for there
    mount --bind "$prefix" "$root$prefix"
    mount -o remount,bind,ro "$root$prefix"
    settings+=("NIGHTBAY_PYTHON=$prefix/bin/python3")
    while prefix=$(dirname "$prefix") && [ "$prefix" != / ]; do chmod a+x "$root$prefix"; done
fi

rm -rf "$root$home/nightbay"
git clone --quiet --no-hardlinks "$project" "$root$home/nightbay"
chroot "$root" chown -R technician: "$home"
status=0
for command in "$@"; do
    echo "--- $command"
    start=$SECONDS
    chroot --userspec=technician: "$root" env -i "${settings[@]}" HOME="$home" USER=technician \
        PATH=/usr/local/bin:/usr/bin:/bin bash -c "cd $home/nightbay && $command" || status=$?
    echo "--- ended with $status after $((SECONDS - start)) s"
    [ "$status" -eq 0 ] || break
done
exit "$status"
