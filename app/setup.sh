# Makes this checkout ready to run. Sourced by app/run.sh and tests/run.sh, never run by itself.
#
# POSIX sh, for dash as well as bash. Everything is told on standard error: standard output
# belongs to the command that follows. The caller sets `root`, the checkout's absolute path.

# The oldest is the project's, the newest that of the Qt packages which pyproject.toml allows.
version_fits="(3, 11) <= sys.version_info < (3, 15)"

# One line a need: what to look for, and the Debian or Ubuntu package that brings it. A name with
# ".so." is a shared library, one that starts with "/" a file (patterns allowed), any other a
# command. Libraries are looked for instead of packages because package names differ from one
# release to the next. Libraries that these packages pull in themselves are not listed.
window_needs='
libEGL.so.1 libegl1
libGL.so.1 libgl1
libX11-xcb.so.1 libx11-xcb1
libdbus-1.so.3 libdbus-1-3
libfontconfig.so.1 libfontconfig1
libgthread-2.0.so.0 libglib2.0-0
libwayland-cursor.so.0 libwayland-cursor0
libwayland-egl.so.1 libwayland-egl1
libxcb-cursor.so.0 libxcb-cursor0
libxcb-icccm.so.4 libxcb-icccm4
libxcb-keysyms.so.1 libxcb-keysyms1
libxcb-randr.so.0 libxcb-randr0
libxcb-shape.so.0 libxcb-shape0
libxcb-sync.so.1 libxcb-sync1
libxcb-xfixes.so.0 libxcb-xfixes0
libxkbcommon-x11.so.0 libxkbcommon-x11-0
'
# ALSA's plug-in is the way from PortAudio to a sound server; pactl tells which input the server
# really captures from, and whether it is muted.
sound_needs='
libportaudio.so.2 libportaudio2
/usr/lib/*/alsa-lib/libasound_module_pcm_pulse.so libasound2-plugins
pactl pulseaudio-utils
'
stamp="$root/.venv/set-up-stamp"

tell() {
    printf '%s\n' "$*" >&2
}

# Prints the packages for those of the needs in $1 that are not there, on one line.
missing_packages() {
    libraries=$(PATH="$PATH:/usr/sbin:/sbin" ldconfig -p 2>/dev/null) || libraries=""
    printf '%s\n' "$1" | while read -r need package; do
        case $need in
        "") continue ;;
        *.so.*) case $libraries in *"	$need "*) continue ;; esac ;;
        /*) for file in $need; do [ -e "$file" ] && continue 2; done ;;
        *) command -v "$need" >/dev/null && continue ;;
        esac
        printf '%s ' "$package"
    done
}

# Runs apt-get as root, or fails without asking for a password. Only faults are heard of it.
apt_as_root() {
    set -- env DEBIAN_FRONTEND=noninteractive apt-get -qq -o DPkg::Lock::Timeout=120 "$@"
    if [ "$(id -u)" -eq 0 ]; then
        "$@" >/dev/null </dev/null
    else
        sudo -n "$@" >/dev/null </dev/null
    fi
}

may_use_apt() {
    command -v apt-get >/dev/null || return 1
    [ "$(id -u)" -eq 0 ] || sudo -n true 2>/dev/null
}

# Installs the packages in $1 (names parted by spaces); otherwise tells how, and fails.
install_packages() {
    if may_use_apt; then
        tell "Installing: $1"
        # A list that cannot be fetched need not matter: the install tells.
        apt_as_root update || tell "Not every package list could be fetched; going on."
        # shellcheck disable=SC2086 # each word is a package
        if apt_as_root install --yes --no-install-recommends $1; then
            return 0
        fi
        tell "The installation failed; what apt-get said stands above. To try by hand:"
    else
        tell "Missing, and not to be installed from here without a password:"
    fi
    tell "    sudo apt-get update && sudo apt-get install --yes --no-install-recommends $1"
    tell "(On a system without apt-get: its own packages for the same.)"
    return 1
}

# Succeeds when $1 is a Python that is new enough and can make an environment with pip in it.
python_fits() {
    "$1" -c "import sys, venv, ensurepip; sys.exit(not $version_fits)" \
        >/dev/null 2>&1
}

# Prints the first Python that fits; fails when there is none.
find_python() {
    for python in python3 /usr/bin/python3 python3.14 python3.13 python3.12 python3.11; do
        if python_fits "$python"; then
            printf '%s\n' "$python"
            return 0
        fi
    done
    return 1
}

# Prints the package that brings a Python; where the system's own does not fit, 3.11 may stand
# beside it.
python_package() {
    if ! command -v python3 >/dev/null ||
        python3 -c "import sys; sys.exit(not $version_fits)" 2>/dev/null; then
        echo python3-venv
    else
        echo python3.11-venv
    fi
}

# Prints all that an installation with the extras in $1 hangs on; nothing when the environment's
# Python does not run.
installation() {
    if python_version=$("$root/.venv/bin/python" -c 'import sys; print(sys.version)' 2>/dev/null)
    then
        printf '%s\n' "$root" "$python_version" "$(cksum <"$root/pyproject.toml")" "$1"
    fi
}

# Succeeds when the package was installed just so, with the extras in $1 or with more.
is_installed() {
    [ -f "$stamp" ] || return 1
    case $(cat "$stamp") in
    "$(installation "$1")" | "$(installation "[test]")") return 0 ;;
    *) return 1 ;;
    esac
}

# Succeeds when .venv can be used on: it runs, and was made at this place.
environment_stands() {
    "$root/.venv/bin/python" -c "import sys, pip; sys.exit(not $version_fits)" \
        >/dev/null 2>&1 || return 1
    [ ! -f "$stamp" ] || [ "$(head -n 1 "$stamp")" = "$root" ]
}

# Installs the native packages for those of the needs in $1 that are not there, and a Python where
# the package with the extras in $2 is still to be installed. Fails when something stays missing.
provide() {
    packages=""
    if [ "$(uname -s)" = Linux ]; then
        packages=$(missing_packages "$1")
    fi
    if ! is_installed "$2" && ! environment_stands && ! find_python >/dev/null; then
        packages="$packages$(python_package)"
    fi
    [ -z "$packages" ] || install_packages "${packages% }"
}

# Makes .venv where it does not stand, and installs the package with the extras in $1 ("" or
# "[test]"). Does nothing when that was done before and nothing has changed since.
install_package() {
    is_installed "$1" && return 0
    if ! environment_stands; then
        if ! python=$(find_python); then
            tell "There is no Python from 3.11 to 3.14 that can make an environment (venv, ensurepip)."
            return 1
        fi
        tell "Making .venv with $("$python" --version)"
        "$python" -m venv --clear "$root/.venv" >&2 || return 1
    fi
    tell "Installing the Python packages; the first time some 250 MB are fetched."
    rm -f "$stamp"
    "$root/.venv/bin/python" -m pip --disable-pip-version-check install --quiet \
        --editable "$root$1" >&2 </dev/null || return 1
    installation "$1" >"$stamp"
}
