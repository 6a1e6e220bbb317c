# Sourced by the scripts beside it: finds a Python that is new enough and goes to the checkout.

root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd) || exit 1
cd -- "$root" || exit 1

# run_installed PURPOSE ARGUMENTS...: installs what the purpose needs, then becomes the
# environment's Python with the arguments. Always the same process, so that signals reach it.
run_installed() {
    for candidate in python3 python3.14 python3.13 python3.12 python3.11; do
        if "$candidate" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' \
            2>/dev/null; then
            exec "$candidate" deploy/install.py "$@"
        fi
    done
    echo "Casebook needs Python 3.11 or newer with its venv module; none was found on PATH." >&2
    exit 1
}
