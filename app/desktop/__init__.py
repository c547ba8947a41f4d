"""A place on the user's desktop: the icon, and the entry that starts the program.

Source: the freedesktop.org *Desktop Entry Specification* 1.5 (keys, quoting of ``Exec``), *Icon
Theme Specification* 0.13 (the folder of scalable icons) and *Base Directory Specification* 0.8.
"""

from __future__ import annotations

import os
import re
import shutil
import sys
from collections.abc import Sequence
from pathlib import Path

from app.files import atomic_write

ICON = Path(__file__).with_name("evenlobe.svg")
NAME = "evenlobe"
ROOT = Path(__file__).parents[2]

_ENTRY = """\
[Desktop Entry]
Type=Application
Version=1.0
Name=Evenlobe
GenericName=Head alignment instrument
Comment=Set the radial head alignment of removable-disk drives
Exec={command} %f
Path={folder}
Icon={icon}
Terminal=false
Categories=Science;Electronics;Engineering;
Keywords=alignment;drive;disk;oscilloscope;
StartupWMClass=evenlobe
"""
_RESERVED = re.compile(r'(["`$\\])')


def places() -> tuple[Path, Path]:
    """Return where this user's entry and icon stand."""
    data = os.environ.get("XDG_DATA_HOME", "")
    base = Path(data) if os.path.isabs(data) else Path.home() / ".local" / "share"
    icons = base / "icons" / "hicolor" / "scalable" / "apps"
    return base / "applications" / f"{NAME}.desktop", icons / f"{NAME}.svg"


def add() -> tuple[Path, Path]:
    """Write entry and icon; returns where. Those of before are replaced.

    Raises
    ------
    UnicodeEncodeError
        When this program is where no entry can lead: entries are UTF-8, and that is not.
    OSError
        When a folder or a file cannot be written.
    """
    entry, icon = places()
    text = entry_text(_command(), _icon_word(icon)).encode("utf-8")
    for path in (entry, icon):
        path.parent.mkdir(parents=True, exist_ok=True)
    for path, data in ((icon, ICON.read_bytes()), (entry, text)):
        try:
            with atomic_write(path) as part:
                part.write_bytes(data)
        except OSError as fault:
            raise OSError(fault.errno, fault.strerror, str(path)) from None
    return entry, icon


def remove() -> None:
    """Take entry and icon away, where they are.

    Raises
    ------
    OSError
        When one is there and cannot be taken away.
    """
    for path in places():
        path.unlink(missing_ok=True)


def entry_text(command: Sequence[str], icon: str) -> str:
    """Return the entry that starts a command, with an icon by its path or by its theme's name."""
    words = " ".join(map(quoted, command))
    return _ENTRY.format(command=_value(words), folder=_value(str(ROOT)), icon=_value(icon))


def _icon_word(icon: Path) -> str:
    """Return what an entry calls the icon: where it stands, as far as UTF-8 can say that."""
    try:
        str(icon).encode("utf-8")
    except UnicodeEncodeError:
        return NAME
    return str(icon)


def quoted(word: str) -> str:
    """Quote a word as ``Exec`` has it: reserved letters escaped, and no field code in it."""
    return '"' + _RESERVED.sub(r"\\\1", word).replace("%", "%%") + '"'


def _value(text: str) -> str:
    """Escape a text as the value of a key."""
    return text.replace("\\", "\\\\").replace("\n", "\\n")


def _command() -> tuple[str, ...]:
    installed = shutil.which(NAME)
    return (os.path.abspath(installed),) if installed else (sys.executable, "-m", "app")
