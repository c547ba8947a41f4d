"""The program as a process of its own, and what it writes without what differs by chance."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
import tempfile
import threading
from pathlib import Path

WAIT_S = 300.0
TIME = re.compile(r"\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d(?::\d\d(?:\.\d+)?)?(?:[+-]\d\d:\d\d|Z)?)?")
_IDENTITY = re.compile(r"\b[0-9a-f]{32}\b")
_PORT = re.compile(r"(127\.0\.0\.1(?:::hislip0)?(?:::|,))\d+")
_STARTER = Path(__file__).with_name("starter.py")


class Program:
    """The program of one checkout, at work in a folder that holds all that it reads and writes.

    Threads: any may run commands; each has a starter of its own.

    Parameters
    ----------
    root : Path
        The checkout, absolute.
    place : Path
        The folder, absolute: the current one of each process, with its home in it.
    """

    def __init__(self, root: Path, place: Path) -> None:
        self._root = root
        self.place = place
        self._own = threading.local()
        self._starters: list[subprocess.Popen[str]] = []
        home = place / "home"
        (home / "runtime").mkdir(parents=True, mode=0o700)
        taken = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
        kept = {name: value for name, value in os.environ.items() if name not in taken}
        self._environment = kept | {
            "PYTHONPATH": str(root),
            # The window shows where its files would go, so that is the same each time.
            "HOME": "/nonexistent",
            "XDG_CACHE_HOME": str(home / "cache"),
            "XDG_CONFIG_HOME": str(home / "config"),
            "XDG_DATA_HOME": str(home / "data"),
            "XDG_RUNTIME_DIR": str(home / "runtime"),
            "TZ": "UTC",
            "LC_ALL": "C.UTF-8",
            "COLUMNS": "80",
            "OPENBLAS_NUM_THREADS": "1",
        }
        told = self.begin("--version").communicate(timeout=WAIT_S)[0]
        self._version = re.compile(rf"\b{re.escape(told.split()[-1])}\b")

    def begin(self, *words: str, **more: str) -> subprocess.Popen[str]:
        """Start a command that goes on beside; `more` goes into its environment."""
        return self._start("-m", "app", *words, **more)

    def run(self, *words: str, given: str = "", **more: str) -> str:
        """Run a command to its end: its line, what it wrote, and its exit status."""
        with tempfile.TemporaryDirectory() as folder:
            streams = [Path(folder) / name for name in ("in", "out", "errors")]
            streams[0].write_text(given)
            status = self._order({
                "words": words, "streams": [*map(str, streams)], "environment": more
            })  # fmt: skip
            out, errors = (path.read_text("utf-8", "backslashreplace") for path in streams[1:])
        parts = [f"$ evenlobe {shlex.join(words)}\n", out]
        if errors:
            parts += ["[standard error]\n", errors]
        return self.plain("".join([*parts, f"[status {status}]\n"]))

    def plain(self, text: str) -> str:
        """Return a text without places, times, versions, identities and ports."""
        for path, name in ((self.place, "PLACE"), (self._root, "ROOT")):
            text = text.replace(str(path), name)
        text = _IDENTITY.sub("IDENTITY", TIME.sub("TIME", text))
        return self._version.sub("VERSION", _PORT.sub(r"\1PORT", text))

    def end(self) -> None:
        """End all starters."""
        for starter in self._starters:
            starter.communicate(timeout=WAIT_S)

    def _start(self, *words: str, **more: str) -> subprocess.Popen[str]:
        pipe = subprocess.PIPE
        return subprocess.Popen(
            [sys.executable, *words],
            cwd=self.place,
            env=self._environment | more,
            stdin=pipe,
            stdout=pipe,
            stderr=pipe,
            text=True,
        )

    def _order(self, request: dict[str, object]) -> int:
        starter = getattr(self._own, "starter", None)
        if starter is None:
            starter = self._own.starter = self._start(str(_STARTER))
            self._starters.append(starter)
        starter.stdin.write(json.dumps(request) + "\n")
        starter.stdin.flush()
        return int(starter.stdout.readline())
