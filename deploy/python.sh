# Sourced by the scripts beside it: finds a Python that is new enough, installs, goes to the checkout.
# Sets $python, the environment's own.

root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd) || exit 1
cd -- "$root" || exit 1

make_environment() {
    for candidate in python3 python3.14 python3.13 python3.12 python3.11; do
        if "$candidate" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' \
            2>/dev/null; then
            "$candidate" deploy/install.py "$1" || exit
            python=$root/.venv/bin/python
            return
        fi
    done
    echo "Casebook needs Python 3.11 or newer with its venv module; none was found on PATH." >&2
    exit 1
}
