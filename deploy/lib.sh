# Shared by the scripts beside it: find a Python, make a virtual environment from a hashed lock, install the wheel.
# Every step prints one line; what pip and apt say goes to a log whose path is printed when something fails.
#
# To renew the locks (uv is used for this alone; no registry address may appear in them, so no uv.lock is kept):
#   uv pip compile pyproject.toml --group build --universal --python-version 3.11 --generate-hashes \
#       --no-header --no-annotate --no-emit-index-url -o deploy/requirements.lock
#   the same with `--group build --group dev -c deploy/requirements.lock -o deploy/requirements-dev.lock`

set -euo pipefail
export LC_ALL=C.UTF-8
unset PYTHONPATH PYTHONHOME # a path from outside would mix foreign modules into the environment

ROOT=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
LOG="$ROOT/var/log/set-up-${0##*/}.log"
TICKER=""
mkdir -p "${LOG%/*}"

end_ticker() {
    if [ -n "$TICKER" ]; then
        kill "$TICKER" 2>/dev/null || true
        wait "$TICKER" 2>/dev/null || true
        TICKER=""
    fi
}
trap end_ticker EXIT

fail() { # fail TEXT...: say it on the error stream and stop
    end_ticker
    printf '%s\n' "$@" >&2
    exit 1
}

step() { # step TEXT COMMAND...: one line on the screen, the command's own words in the log
    local text=$1 begun=$SECONDS
    shift
    printf '  %s ... ' "$text"
    if [ -t 1 ]; then # a terminal sees the seconds pass
        (
            begun=$SECONDS
            while sleep 1; do printf '\r  %s ... %d s ' "$text" $((SECONDS - begun)); done
        ) &
        TICKER=$!
    fi
    printf '\n== %s: %s\n' "$(date -u +%FT%TZ)" "$*" >>"$LOG"
    if ! "$@" >>"$LOG" 2>&1 </dev/null; then
        end_ticker
        printf 'FAILED\n'
        tail -n 5 "$LOG" | sed 's/^/    /' >&2
        fail "Could not finish: $text. The whole output is in $LOG"
    fi
    end_ticker
    if [ -t 1 ]; then printf '\r  %s ... ' "$text"; fi
    printf 'done (%d s)\n' $((SECONDS - begun))
}

find_python() { # sets PYTHON: the first interpreter of 3.11 or later that really runs; PYTHON from outside wins
    local name
    for name in ${PYTHON:-python3.11 python3 python3.12 python3.13}; do
        if "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            PYTHON=$("$name" -c 'import sys; print(sys.executable)')
            return
        fi
    done
    fail "Python 3.11 or later is needed and was not found (looked for: ${PYTHON:-python3.11 python3 python3.12 python3.13})." \
        "On Debian 12, as root:  apt-get install python3 python3-venv"
}

missing_packages() { # missing_packages NAME...: those of the Debian packages that are not installed
    local name
    for name in "$@"; do
        [ "$(dpkg-query -W -f '${db:Status-Status}' "$name" 2>/dev/null)" = installed ] || printf '%s\n' "$name"
    done
}

apt_install() { # a list of packages that is old or was never fetched shows as a failed install: fetch it, try again
    local get=(apt-get -y -q -o DPkg::Lock::Timeout=300)
    export DEBIAN_FRONTEND=noninteractive
    "${get[@]}" install --no-install-recommends "$@" || { "${get[@]}" update && "${get[@]}" install --no-install-recommends "$@"; }
}

debian_packages() { # debian_packages NAME...: install what is missing as root, else stop with the line that does
    local missing
    mapfile -t missing < <(missing_packages "$@")
    [ ${#missing[@]} -gt 0 ] || return 0
    [ "$(id -u)" = 0 ] || fail "Debian packages are missing. As root:" \
        "  apt-get install --no-install-recommends ${missing[*]}"
    step "Debian packages: ${missing[*]}" without_starting_services apt_install "${missing[@]}"
}

without_starting_services() { # COMMAND...: run it so that no package of it starts a service, now or at the next boot
    local policy=/usr/sbin/policy-rc.d ours="" had_exim="" code=0
    [ ! -e /etc/init.d/exim4 ] || had_exim=yes
    if [ ! -e "$policy" ]; then
        printf '#!/bin/sh\nexit 101\n' >"$policy" && chmod 755 "$policy" && ours=yes
    fi
    "$@" || code=$?
    [ -z "$ours" ] || rm -f "$policy"
    if [ -z "$had_exim" ] && [ -e /etc/init.d/exim4 ]; then update-rc.d exim4 disable || true; fi
    return "$code"
}

source_stamp() { # one hash over all that goes into the wheel, names and contents
    (cd "$ROOT" && find pyproject.toml README.md LICENSE daemon drivers config -type f \
        -not -path '*/__pycache__/*' -print0 | LC_ALL=C sort -z | xargs -0 sha256sum | sha256sum)
}

make_venv() { # make_venv FOLDER LOCK: from nothing, so that a library which left the lock leaves the environment too
    rm -rf "$1" && "$PYTHON" -m venv "$1" &&
        "$1/bin/python" -m pip --disable-pip-version-check --no-input install -q \
            --require-hashes --only-binary=:all: -r "$2"
}

make_wheel() { # make_wheel FOLDER: build the wheel with the locked builder and install it, as a user would get it
    local out="$1/wheel"
    rm -rf "$out" &&
        "$1/bin/python" -m pip --disable-pip-version-check --no-input wheel -q \
            --no-deps --no-build-isolation --no-index -w "$out" "$ROOT" &&
        "$1/bin/python" -m pip --disable-pip-version-check --no-input install -q \
            --no-deps --no-index --force-reinstall "$out"/*.whl
}

prepare_locked() { # prepare_locked FOLDER LOCK
    local venv=$1 lock=$2 libraries source
    libraries="$(sha256sum <"$lock") $PYTHON $("$PYTHON" -V)"
    if [ ! -x "$venv/bin/python" ] || [ "$(cat "$venv/stamp.libraries" 2>/dev/null)" != "$libraries" ]; then
        if ! "$PYTHON" -c 'import ensurepip, venv' 2>/dev/null; then
            [ -n "$(command -v apt-get)" ] || fail "$PYTHON cannot make virtual environments: its module ensurepip is missing."
            debian_packages python3-venv
        fi
        step "libraries of ${lock#"$ROOT"/} into ${venv##*/}" make_venv "$venv" "$lock"
        printf '%s\n' "$libraries" >"$venv/stamp.libraries"
    else
        printf '  libraries of %s: up to date\n' "${lock#"$ROOT"/}"
    fi
    source=$(source_stamp)
    if [ "$(cat "$venv/stamp.source" 2>/dev/null)" != "$source" ]; then
        step "waterside itself, as a wheel" make_wheel "$venv"
        printf '%s\n' "$source" >"$venv/stamp.source"
    else
        printf '  waterside itself: up to date\n'
    fi
}

prepare() { # prepare FOLDER LOCK: the environment FOLDER holds exactly LOCK and the wheel of this tree
    find_python
    printf '  %s (%s)\n' "$("$PYTHON" -V)" "$PYTHON"
    { # two set-ups at once would tear each other's environment
        flock 9
        prepare_locked "$ROOT/$1" "$ROOT/$2" 9>&-
    } 9>"$ROOT/var/$1.lock"
}
