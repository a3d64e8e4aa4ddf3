#!/usr/bin/env bash
# Print the path of a Python 3.11 or newer: that of $PYTHON if it is set, else the first that runs.
set -euo pipefail

candidates=(python3 python3.11 python3.12 python3.13 python3.14)
if [[ -n ${PYTHON:-} ]]; then candidates=("$PYTHON"); fi
for candidate in "${candidates[@]}"; do
    if path=$("$candidate" -c 'import sys
if sys.version_info < (3, 11): sys.exit(1)
print(sys.executable)' 2>/dev/null); then
        printf '%s\n' "$path"
        exit 0
    fi
done
echo "Rotorproof needs Python 3.11 or newer and found none: install python3 (3.11 to 3.14) with its venv module, or name one with PYTHON=/path/to/python3." >&2
exit 1
