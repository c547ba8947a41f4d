#!/bin/sh
# Sets this checkout up for the tests and runs them all: lint, format, types, import contracts and
# pytest, which gets the arguments given. Stops at the first that fails.
set -eu

root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$root/app/setup.sh"

# A sound server, a virtual display, and hands at its keyboard; a browser and a reader of PDF to see
# reports with.
test_needs='
pulseaudio pulseaudio
Xvfb xvfb
xdotool xdotool
chromium chromium
pdftoppm poppler-utils
'
provide "$window_needs$sound_needs$test_needs" "[test]"
install_package "[test]"

cd "$root"
PATH="$root/.venv/bin:$PATH"
# The same words, numbers and files everywhere. pyright comes with its own node from PyPI and is
# not to look for a newer version of itself.
export PATH LC_ALL=C.UTF-8 PYRIGHT_PYTHON_GLOBAL_NODE=0 PYRIGHT_PYTHON_IGNORE_WARNINGS=1

step() {
    printf '\n== %s\n' "$*"
    "$@"
}

step ruff check .
step ruff format --check .
step pyright
step lint-imports
step python -m pytest "$@"
