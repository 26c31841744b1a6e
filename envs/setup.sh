#!/usr/bin/env bash
# Makes the environment that every command of Nightbay runs in, once, and prints the path of its Python.
#   Usage: python=$(bash envs/setup.sh)
# An environment is a folder of envs/.venvs, built from envs/requirements.lock with hash checking. It is never changed once
# it is ready, and never removed: another lock or another base Python gets a folder of its own beside it.
# NIGHTBAY_PYTHON names the base Python (3.11 or newer). Without it the first fit one on PATH is taken, or, where that has
# no environment yet, any environment that is ready for this lock.
set -euo pipefail

envs=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
venvs="$envs/.venvs"
lock="$envs/requirements.lock"
needs=2500 # MB: 1.9 GB on the way, 1.6 GB in the end (measured), and pip may keep the 0.5 GB that it fetches
glibc=2.35 # the oldest that all wheels of the lock accept

refuse() {
    echo "$1" >&2
    exit 2
}

temporary=${TMPDIR:-/tmp}
if ! { [ "${temporary#/}" != "$temporary" ] && [ -d "$temporary" ] && [ -w "$temporary" ] && [ -x "$temporary" ]; }; then
    refuse "Temporary files can't be written to $temporary: set TMPDIR to the full path of a folder that you can write to."
fi

fit() { "$1" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; }

base=""
for candidate in ${NIGHTBAY_PYTHON:+"$NIGHTBAY_PYTHON"} python3 python3.13 python3.12 python3.11; do
    if fit "$candidate"; then base=$candidate && break; fi
    if [ "$candidate" = "${NIGHTBAY_PYTHON:-}" ]; then
        refuse "NIGHTBAY_PYTHON is $candidate, which is not a Python of 3.11 or newer with venv: name another one."
    fi
done

# Updates that keep a Python compatible, such as 3.11.2 to 3.11.9, keep its environments.
identity() { "$1" -c 'import sys, sysconfig; print(sysconfig.get_config_var("SOABI"), sys.base_prefix)' 2>/dev/null; }
locked=$(cksum <"$lock")
# Whether an environment is "ready", or just "installed" and not looked at for system libraries, and its Python is still
# the one that it was built with.
is() { [ -f "$2/$1" ] && [ "$(cat "$2/$1")" = "$(identity "$2/bin/python") $locked" ]; }

own=""
if [ -n "$base" ]; then
    built_with=$(identity "$base")
    own="$venvs/${built_with%% *}-$(printf '%s' "$built_with $locked" | cksum | cut -d ' ' -f 1)"
fi
venv=""
find_ready() {
    local candidate
    for candidate in ${own:+"$own"} "$venvs"/*; do
        if is ready "$candidate"; then venv=$candidate && return; fi
        [ -z "${NIGHTBAY_PYTHON:-}" ] || return 0 # that Python and no other
    done
}

install() {
    local room has
    has=$("$base" -c 'import os; print(os.confstr("CS_GNU_LIBC_VERSION").split()[-1])' 2>/dev/null) || has=""
    if [ -n "$has" ] && [ "$(printf '%s\n' "$glibc" "$has" | sort -V | head -n 1)" != "$glibc" ]; then
        refuse "This system has glibc $has and the packages need $glibc or newer:\
 use a newer system (Debian 12 or Ubuntu 22.04 will do)."
    fi
    rm -rf "$own" # half an environment, or one whose Python is gone
    room=$(($(df -Pk "$envs" | awk 'NR == 2 { print $4 }') * 1024 / 1000000))
    if [ "$room" -lt "$needs" ]; then
        refuse "$own needs $needs MB on its disk and $room MB are free: free some and start again."
    fi
    echo "Nightbay: setting up $own from envs/requirements.lock (once, about 500 MB to fetch)" >&2
    mkdir "$own" "$own/tmp" && # the machine's own folder for temporary files may be a small one
        TMPDIR="$own/tmp" "$base" -m venv "$own" >&2 &&
        TMPDIR="$own/tmp" "$own/bin/python" -m pip install --quiet --quiet --disable-pip-version-check --no-input \
            --require-hashes -r "$lock" >&2 &&
        rm -rf "$own/tmp" &&
        echo "$(identity "$own/bin/python") $locked" >"$own/installed" && return
    rm -rf "$own"
    refuse "envs/requirements.lock could not be installed, for the reason above: see to it (network, disk) and start\
 again; nothing that was ready has changed."
}

find_ready
if [ -z "$venv" ]; then
    if [ -z "$base" ]; then
        refuse "No Python of 3.11 or newer with the venv module is on PATH: install one, or name it in NIGHTBAY_PYTHON."
    fi
    if ! { mkdir -p "$venvs" && [ -w "$venvs" ]; } 2>/dev/null; then
        for candidate in "$venvs"/*; do
            if [ -f "$candidate/ready" ] && [ ! -x "$candidate/bin/python" ]; then
                refuse "$candidate was set up with the Python of $(sed -n 's/^home = //p' "$candidate/pyvenv.cfg"), which you may\
 not run or which is gone: let its owner name one that every user may run, NIGHTBAY_PYTHON=/usr/bin/python3 bash envs/setup.sh,\
 or use a copy of your own."
            fi
        done
        refuse "$envs holds no environment that is ready, and you may not write to it:\
 let its owner run envs/setup.sh, or use a copy of your own."
    fi
    # One set-up at a time: two commands started together would install into the same folder.
    (umask 0 && : >>"$venvs/.lock")
    exec 9>>"$venvs/.lock"
    if command -v flock >/dev/null; then flock 9; fi
    find_ready
    if [ -z "$venv" ]; then
        is installed "$own" || install
        # What is installed stays while libraries are lacking: the next set-up goes on from there.
        "$own/bin/python" "$envs/system_libraries.py" >&2 || exit 2
        mv "$own/installed" "$own/ready"
        venv=$own
        for other in "$venvs"/*; do
            [ "$other" = "$venv" ] || echo "Kept beside it, 1.6 GB: $other (rm -r it if no night runs from it)" >&2
        done
    fi
    exec 9>&-
fi

python="$venv/bin/python"
case "$python" in
    *[[:space:]]*)
        # Snakemake calls a script's interpreter unquoted: reach it through a link of our own whose path has no space.
        link="$temporary/nightbay-$(id -u)-$(printf '%s' "$venv" | cksum | tr ' ' '-')"
        mkdir -p -m 700 "$link"
        [ -O "$link" ] || refuse "$link belongs to someone else: set TMPDIR to a folder of your own."
        [ "$(readlink "$link/venv")" = "$venv" ] || ln -sfn "$venv" "$link/venv" # a night may be running through it
        python="$link/venv/bin/python"
        ;;
esac
echo "$python"
