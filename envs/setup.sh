#!/usr/bin/env bash
# Makes the environment that every command of Nightbay runs in, once, and prints the path of its Python.
#   Usage: python=$(bash envs/setup.sh)
# The environment is envs/.venv, built from envs/requirements.lock with hash checking. It is rebuilt when the lock or the
# base Python changes, and never half: it is marked ready only after everything is installed.
# NIGHTBAY_PYTHON names the base Python (3.11 or newer); without it, the first fit one on PATH is taken.
set -euo pipefail

envs=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
venv="$envs/.venv"
lock="$envs/requirements.lock"
needs=2500 # MB: 1.9 GB on the way, 1.6 GB in the end (measured), and pip may keep the 0.5 GB that it fetches

fit() { "$1" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; }

base=""
for candidate in ${NIGHTBAY_PYTHON:+"$NIGHTBAY_PYTHON"} python3 python3.13 python3.12 python3.11; do
    if fit "$candidate"; then base=$candidate; break; fi
    if [ "$candidate" = "${NIGHTBAY_PYTHON:-}" ]; then
        echo "NIGHTBAY_PYTHON is $candidate, which is not a Python of 3.11 or newer with venv: name another one." >&2
        exit 2
    fi
done
if [ -z "$base" ]; then
    echo "No Python of 3.11 or newer with the venv module is on PATH: install one, or name it in NIGHTBAY_PYTHON." >&2
    exit 2
fi

wanted="$("$base" -c 'import sys, sysconfig; print(sys.version, sys.base_prefix, sysconfig.get_platform())' | tr '\n' ' ') $(cksum <"$lock") $venv"
ready() { [ -f "$venv/ready" ] && [ "$(cat "$venv/ready")" = "$wanted" ]; }

if ! ready; then
    # One set-up at a time: two commands started together would install into the same folder.
    exec 9>"$envs/.setup.lock"
    if command -v flock >/dev/null; then flock 9; fi
    if ! ready; then
        rm -rf "$venv"
        room=$(($(df -Pk "$envs" | awk 'NR == 2 { print $4 }') * 1024 / 1000000))
        if [ "$room" -lt "$needs" ]; then
            echo "$venv needs $needs MB on its disk and $room MB are free: free some and start again." >&2
            exit 2
        fi
        echo "Nightbay: setting up envs/.venv from envs/requirements.lock (once, about 500 MB to fetch)" >&2
        "$base" -m venv "$venv" >&2
        "$venv/bin/python" -m pip install --quiet --quiet --disable-pip-version-check --no-input \
            --require-hashes -r "$lock" >&2
        printf '%s' "$wanted" >"$venv/ready"
    fi
    exec 9>&-
fi

python="$venv/bin/python"
case "$python" in
    *[[:space:]]*)
        # Snakemake calls a script's interpreter unquoted: reach it through a link of our own whose path has no space.
        link="${TMPDIR:-/tmp}/nightbay-$(id -u)-$(printf '%s' "$venv" | cksum | tr ' ' '-')"
        mkdir -p -m 700 "$link"
        if [ ! -O "$link" ]; then
            echo "$link belongs to someone else: set TMPDIR to a folder of your own." >&2
            exit 2
        fi
        ln -sfn "$venv" "$link/venv"
        python="$link/venv/bin/python"
        ;;
esac
echo "$python"
