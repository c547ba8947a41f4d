"""What a report of a fault should say of the program and of the computer, as a page of text.

It names versions, folders and what is plugged in; nothing of the drives, jobs and readings.
"""

from __future__ import annotations

import os
import platform
import re
from collections.abc import Iterable, Iterator
from importlib import metadata
from pathlib import Path

from app.book.store import default_path
from app.faults import faults_folder
from app.profiles.files import user_profile_folder
from app.stamp import now, version

_NAME = re.compile(r"[A-Za-z0-9._-]+")
_ENVIRONMENT = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM", "QT_SCALE_FACTOR", "LANG")


def diagnostics(sources: Iterable[tuple[str, str]] = (), hints: Iterable[str] = ()) -> str:
    """Return the page; `sources` are addresses with their titles, `hints` what is missing."""
    rows = [
        ("evenlobe", version()),
        ("at", now()),
        ("Python", f"{platform.python_version()} ({platform.python_implementation()})"),
        ("system", platform.platform()),
        *((name, release) for name, release in _packages()),
        *((name, os.environ[name]) for name in _ENVIRONMENT if name in os.environ),
        ("job book", _said_of(default_path())),
        ("profiles", _said_of(user_profile_folder())),
        ("faults kept", _said_of(faults_folder())),
        *(("source", f"{address}  {title}") for address, title in sources),
        *(("hint", hint) for hint in hints),
    ]
    width = max(len(name) for name, _ in rows)
    return "\n".join(f"{name:<{width}}  {words}" for name, words in rows)


def _packages() -> Iterator[tuple[str, str]]:
    """Return what the program needs, and which version of each is installed."""
    for requirement in metadata.requires("evenlobe") or ():
        found = _NAME.match(requirement)
        if found is None or "extra ==" in requirement:
            continue
        try:
            yield found.group(), metadata.version(found.group())
        except metadata.PackageNotFoundError:
            yield found.group(), "not installed"


def _said_of(path: Path) -> str:
    """Return a path, the user's own folder as ~, and whether something is there."""
    home = Path.home()
    named = f"~/{path.relative_to(home)}" if path.is_relative_to(home) else str(path)
    try:
        return f"{named}  ({_content_of(path)})"
    except OSError as fault:
        return f"{named}  (cannot be looked at: {fault.strerror})"


def _content_of(path: Path) -> str:
    if path.is_dir():
        return f"{len(list(path.iterdir()))} files"
    return f"{path.stat().st_size} bytes" if path.exists() else "none"
