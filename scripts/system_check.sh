#!/usr/bin/env bash
# Check for what pip cannot install: Python with venv, and the system libraries and programs in use.
#
# usage: system_check.sh [test]
#
# With "test", also check for what only the tests use. What is missing is named in one line. It is
# installed where that needs nobody's password (root, or sudo without one, on Debian and its kin);
# elsewhere the command to type is printed and the exit status is 1.
set -euo pipefail
cd "$(dirname "$0")"

scope=${1:-report}
export PATH="$PATH:/usr/sbin:/sbin"

has_library() { ldconfig -p 2>/dev/null | grep -F "$1 " >/dev/null; }
has_program() {
    local name
    for name in "$@"; do
        if command -v "$name" >/dev/null; then return 0; fi
    done
    return 1
}

# Print the Debian package of each thing that is not here.
missing_packages() {
    local python version
    if [[ ! -x ../.venv/bin/python ]]; then
        if python=$(./find_python.sh 2>/dev/null); then
            if ! "$python" -c 'import ensurepip, venv' 2>/dev/null; then
                version=$("$python" -c 'import sys; print("%d.%d" % sys.version_info[:2])')
                echo "python$version-venv"
            fi
        else
            echo python3 python3-venv
        fi
    fi
    if command -v ldconfig >/dev/null; then # other systems: WeasyPrint itself says what it lacks
        has_library libpango-1.0.so.0 || echo libpango-1.0-0
        has_library libpangoft2-1.0.so.0 || echo libpangoft2-1.0-0
        has_library libharfbuzz-subset.so.0 || echo libharfbuzz-subset0
        if [[ $scope == test ]]; then
            has_library libGL.so.1 || echo libgl1 # a winding calculator under comparison links with it
        fi
    fi
    if [[ $scope == test ]]; then
        has_program chromium chromium-browser google-chrome || echo chromium
        has_program chromedriver || echo chromium-driver
        has_program pdftotext && has_program pdftoppm && has_program pdfsig || echo poppler-utils
        has_program openssl || echo openssl
        has_program slurmctld && has_program slurmd || echo slurm-wlm # one test runs a cluster of its own
        has_program munged || echo munge
    fi
}

missing=$(missing_packages | xargs)
if [[ -z $missing ]]; then exit 0; fi

if ! command -v apt-get >/dev/null; then
    echo "Missing on this system (Debian's names; install your system's packages for them): $missing" >&2
    exit 1
fi
as_root=()
if [[ $(id -u) -ne 0 ]]; then
    if ! sudo -n true 2>/dev/null; then
        echo "Missing system packages. Install them with: sudo apt-get install --no-install-recommends $missing" >&2
        exit 1
    fi
    as_root=(sudo -n)
fi

echo "Installing missing system packages: $missing"
log=$(mktemp)
trap 'rm -f "$log"' EXIT
# shellcheck disable=SC2086  # one word for each package
if ! { "${as_root[@]}" apt-get update -q &&
    "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -q -y --no-install-recommends $missing; } \
    </dev/null >"$log" 2>&1; then
    tail -n 20 "$log" >&2
    echo "These system packages could not be installed: $missing" >&2
    exit 1
fi
missing=$(missing_packages | xargs)
if [[ -n $missing ]]; then
    echo "Installed, yet still not found: $missing" >&2
    exit 1
fi
