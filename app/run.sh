#!/bin/sh
# Sets this checkout up where that is still to be done, and runs evenlobe with the arguments given.
set -eu

root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$root/app/setup.sh"

complete=true
provide "$window_needs$sound_needs" "" || complete=false
install_package ""
if [ $complete = false ]; then
    if [ $# -eq 0 ] && [ -n "${DISPLAY:-}${WAYLAND_DISPLAY:-}" ] &&
        [ -n "$(missing_packages "$window_needs")" ]; then
        tell "The window cannot open without these packages."
        exit 1
    fi
    tell "Going on: only the window and a sound card's input need these packages."
fi

exec "$root/.venv/bin/evenlobe" "$@"
