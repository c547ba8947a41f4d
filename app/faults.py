"""Faults of the program itself: kept in a file for a report, and told in a few words."""

from __future__ import annotations

import platform
import sys
import tempfile
import threading
import traceback
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from platformdirs import user_data_path

from app.stamp import now, version

_MOST = 50
"""Files kept: a fault that returns each second must not fill a disk."""
_kept: dict[str, Path | None] = {}
_keeping = threading.Lock()
watchers: list[Callable[[str], None]] = []
"""Each is given a fault's words, in the thread that tells it."""


def faults_folder() -> Path:
    """Return where faults are kept: beside the user's own job book."""
    return user_data_path("evenlobe", appauthor=False) / "faults"


def words_for(fault: BaseException) -> str:
    """Return the fault in a few words, with the file that keeps its traceback.

    From any thread. The same fault from the same place is kept once as long as the program runs.
    """
    text = "".join(traceback.format_exception(fault))
    where = "".join(traceback.format_tb(fault.__traceback__)[-1:])
    with _keeping:
        key = f"{type(fault).__name__} {where}"
        if key not in _kept:
            _kept[key] = _keep(text) if len(_kept) < _MOST else None
        path = _kept[key]
    kept = "" if path is None else f"; its traceback is in {path}: send that with a report"
    words = f"{type(fault).__name__}: {' '.join(str(fault).split())}{kept}"
    for watcher in tuple(watchers):
        watcher(words)
    return words


def _keep(text: str) -> Path | None:
    """Write a fault to a file of its own, in the temporary folder where need be."""
    about = f"Evenlobe {version()}, {now()}\nPython {sys.version}, {platform.platform()}\n\n"
    for folder in (faults_folder(), Path(tempfile.gettempdir())):
        with suppress(OSError):
            folder.mkdir(0o700, parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(prefix="evenlobe-fault-", suffix=".txt", dir=folder)
            with open(handle, "w", encoding="utf-8") as file:
                file.write(about + text)
            return Path(name)
    return None
