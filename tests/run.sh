#!/bin/sh
# Sets this checkout up for the tests and runs them: lint, format, import contracts, types and
# pytest, which gets the arguments given. With --all as the first of these the slow tests run too;
# DEVELOPERS.md tells which they are. Fails when any of them does.
set -eu

root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$root/app/setup.sh"

# A simulator of circuits for the probes; a formatter of manual pages; a
# checker of desktop entries; a sound server, a virtual
# display with a window manager, hands at its keyboard, and the bus on which a screen reader
# listens; the system's speech; a browser and a reader of PDF to see reports with; programs
# that write what they capture to a pipe; what tells which calls a program makes of the system.
test_needs='
pulseaudio pulseaudio
Xvfb xvfb
xdotool xdotool
openbox openbox
spd-say speech-dispatcher
dbus-daemon dbus
/usr/lib*/at-spi-bus-launcher at-spi2-core
chromium chromium
pdftoppm poppler-utils
sox sox
arecord alsa-utils
ffmpeg ffmpeg
ngspice ngspice
groff groff-base
desktop-file-validate desktop-file-utils
strace strace
'
provide "$window_needs$sound_needs$test_needs" "[test]"
install_package "[test]"

cd "$root"
PATH="$root/.venv/bin:$PATH"
# The same words, numbers and files everywhere. pyright comes with its own node from PyPI and is
# not to look for a newer version of itself. What Python compiles is kept, but out of the tree:
# some tests start programs by the dozen.
PYTHONPYCACHEPREFIX="$root/.venv/pycache"
export PATH LC_ALL=C.UTF-8 PYRIGHT_PYTHON_GLOBAL_NODE=0 PYRIGHT_PYTHON_IGNORE_WARNINGS=1
export PYTHONPYCACHEPREFIX
unset PYTHONDONTWRITEBYTECODE

# The windows of the slow tests keep a processor busy: a sound server has nothing beside it then.
speed="not slow" together=2
if [ "${1-}" = --all ]; then
    shift
    speed="slow or not slow" together=1
fi

step() {
    printf '\n== %s\n' "$*"
    "$@"
}

# The types take a minute of one processor: beside the rest, and told after the tests.
told=$(mktemp)
pyright >"$told" 2>&1 &
types=$! asserts=
# What pytest makes of the asserts is kept, and made here once, not by each worker, where anything
# has changed since.
made=.venv/asserts-made
if [ ! -e "$made" ] || [ -n "$(find tests -name '*.py' -newer "$made")" ]; then
    python -m pytest --numprocesses 0 --collect-only -qq "$@" >/dev/null 2>&1 &
    asserts=$!
    [ "$#" -gt 0 ] || touch "$made"
fi
# By then they have mostly ended by themselves, which must not count as a failure.
trap 'kill $asserts "$types" 2>/dev/null || :; rm -f "$told"' EXIT
trap 'exit 130' INT
trap 'exit 143' TERM
step ruff check .
step ruff format --check .
step lint-imports
[ -z "$asserts" ] || wait "$asserts" || :
# Many tests wait, for a program or for what a live source gives next: one worker more than there
# are processors, as far as the memory of a small machine goes.
workers=$(($(getconf _NPROCESSORS_ONLN) + 1))
[ "$workers" -le 4 ] || workers=4
# What goes on in real time comes last, with nothing beside it that wants a processor. Arguments may
# name tests of one kind alone.
failed="" empty=0
some() {
    status=0
    step python -m pytest --dist loadgroup "$@" || status=$?
    case $status in
    0) ;;
    5) empty=$((empty + 1)) ;;
    *) failed="$failed pytest" ;;
    esac
}
some --numprocesses "$workers" -m "($speed) and not real_time" "$@"
wait "$types" || failed="$failed pyright"
some --numprocesses "$together" -m "($speed) and real_time" "$@"
[ "$empty" -lt 2 ] || failed="$failed pytest"
printf '\n== pyright\n'
cat "$told"
[ -z "$failed" ] || tell "Failed:$failed"
[ -z "$failed" ]
