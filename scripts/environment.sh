# Sourced by the scripts beside it: an environment in .venv with the tested versions of everything.

ensure_environment() {
    # ensure_environment WHAT: install this project, with its extras as in '.[test]', into .venv
    local python="${PYTHON:-python3}"
    if ! "$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))'; then
        echo "Python 3.11 or newer is needed; name one with PYTHON=python3.12 $0" >&2
        exit 2
    fi
    [ -x .venv/bin/python ] || "$python" -m venv .venv
    .venv/bin/python -m pip install --quiet --disable-pip-version-check --constraint constraints.txt --editable "$1"
}
