"""Keeps the last minute while the window runs, and sets it aside when something goes wrong.

Threads: the *black-box* thread alone touches the disk, once a second; any thread hands over, which
is an entry in a list: what is read of a source is folded by that thread, and nobody waits for it.
"""

from __future__ import annotations

import faulthandler
import os
import secrets
import sqlite3
import threading
import time
from collections import deque
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

from platformdirs import user_data_path

from app import faults
from app.blackbox.file import ENDING, KEPT_S, RUNNING, BoxFile, Event
from app.blackbox.pairs import Folding
from app.blackbox.playing import facts_of
from app.live.session import OpenedAs
from app.live.view import Phase, View
from app.profiles import Profile
from app.text import in_a_line, view_as_json
from instruments.source import Block

_EVERY_S = 1.0
_MOST_BYTES = 64 << 20
"""Of samples that wait to be folded; what comes beyond that, while a disk hangs, is not kept."""
_MOST_EVENTS = 2000
_MOST_OF_A_KIND = 5
"""Files kept of each reason: a cable that comes loose again and again must not fill a disk."""
_STOP_WITHIN_S = 2.0
_TRACE = ".crash"
_MOST_TRACE = 20_000


class Why(StrEnum):
    """Why a black box was kept."""

    FAULT = "fault"
    """The program itself failed."""
    LOST = "lost"
    """The source went away."""
    CRASH = "crash"
    """The window ended without being closed."""
    KEY = "key"
    """Somebody asked for it."""


@dataclass(frozen=True, slots=True)
class SetAside:
    """What became of one: the file that was kept and why, or why nothing is kept any more."""

    path: Path | None = None
    why: Why = Why.KEY
    fault: str = ""


def boxes_folder() -> Path:
    """Return where black boxes are kept: beside the user's own job book."""
    return user_data_path("evenlobe", appauthor=False) / "blackbox"


class BlackBox:
    """The last minute. Begins at once; a window's end is :meth:`end`, anything else a crash.

    Parameters
    ----------
    folder : Path or None
        Where files are; the user's own when None.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self._folder = (folder or boxes_folder()).absolute()
        self._lock = threading.Lock()
        # Written under the lock, by any thread, and emptied by the black-box thread:
        self._blocks: list[tuple[Block, OpenedAs]] = []
        self._waiting_bytes = 0
        self._events: deque[Event] = deque(maxlen=_MOST_EVENTS)
        self._wanted: list[Why] = []
        self._is_over = False
        # Written by the black-box thread, emptied by whoever asks:
        self._said: deque[SetAside] = deque()
        # Used by the window's thread only:
        self._shown: tuple[object, ...] = ()
        self._ran: str | None = None
        # Used by the black-box thread only:
        self._heard: OpenedAs | None = None
        self._number = 0
        self._folding = Folding()
        self._kept_at_s: dict[Why, float] = {}
        self._wake = threading.Event()
        self._thread = threading.Thread(target=self._work, name="black-box", daemon=True)
        faults.watchers.append(self._take_fault)
        self._thread.start()

    # -- any thread

    def take(self, block: Block, heard: OpenedAs) -> None:
        """Take a block, and by what it is read."""
        with self._lock:
            if self._is_over or self._waiting_bytes > _MOST_BYTES:
                return
            self._blocks.append((block, heard))
            self._waiting_bytes += block.samples_v.nbytes

    def keep(self, why: Why) -> None:
        """Set the last minute aside; :meth:`said` tells when it has been."""
        with self._lock:
            self._wanted.append(why)
        self._wake.set()

    def _take_fault(self, words: str) -> None:
        self._happened("fault", words)
        self.keep(Why.FAULT)

    def _happened(self, kind: str, words: str, facts: dict[str, Any] | None = None) -> None:
        with self._lock:
            if not self._is_over:
                self._events.append(Event(time.time(), kind, words, facts))

    # -- the window's thread

    def note(self, view: View, profile: Profile, now_s: float) -> None:
        """Take what is shown at a monotonic time, where it is something new."""
        shown = view.phase, view.message, view.source, view.reading_at_s
        if shown == self._shown:
            return
        self._shown = shown
        age_s = now_s - view.reading_at_s if view.reading is not None else 0.0
        at = datetime.fromtimestamp(time.time() - age_s, UTC)
        reading = view.reading
        is_valid = reading is not None and reading.valid
        words = [str(view.phase), view.message, "" if reading is None else in_a_line(reading)]
        facts = view_as_json(view, profile, at)
        self._happened("reading" if is_valid else "state", ": ".join(filter(None, words)), facts)
        # Another that cannot be opened is not the one that ran.
        if view.phase in (Phase.LOST, Phase.FAILED) and view.source == self._ran:
            self.keep(Why.LOST)
        self._ran = view.source if view.phase is Phase.RUNNING else None

    def said(self) -> SetAside | None:
        """Return what became of one, each once; None where there is no news."""
        return self._said.popleft() if self._said else None

    def end(self) -> None:
        """Leave off: nothing has gone wrong, and what was not set aside goes. May be repeated."""
        with suppress(ValueError):
            faults.watchers.remove(self._take_fault)
        with self._lock:
            self._is_over = True
        self._wake.set()
        self._thread.join(_STOP_WITHIN_S)

    # -- the black-box thread

    def _work(self) -> None:
        try:
            self._folder.mkdir(0o700, parents=True, exist_ok=True)
            for path in sorted(self._folder.glob(f"{RUNNING}*{ENDING}")):
                self._take_over(path)
            file = BoxFile(self._folder / f"{RUNNING}{secrets.token_hex(4)}{ENDING}")
            try:
                with _Trace(file.path.with_suffix(_TRACE)):
                    self._go_on(file)
            finally:
                file.close()
        except (OSError, sqlite3.Error) as fault:
            why = getattr(fault, "strerror", None) or str(fault)
            self._said.append(SetAside(fault=f"“{self._folder}” cannot be written: {why}"))
        finally:
            with self._lock:
                self._is_over = True
                self._blocks.clear()

    def _go_on(self, file: BoxFile) -> None:
        while True:
            self._wake.wait(_EVERY_S)
            self._wake.clear()
            with self._lock:
                blocks, self._blocks, self._waiting_bytes = self._blocks, [], 0
                events = list(self._events)
                self._events.clear()
                wanted, self._wanted = self._wanted, []
                is_over = self._is_over
            self._write(file, blocks, events)
            for why in dict.fromkeys(wanted):
                if why is Why.KEY or self._is_due(why):
                    self._said.append(SetAside(self._set_aside(file, why), why))
            if is_over:
                return

    def _write(
        self, file: BoxFile, blocks: list[tuple[Block, OpenedAs]], events: list[Event]
    ) -> None:
        # Of the clock that blocks go by, on the one that people do.
        since_s = time.time() - time.monotonic()
        streams, pieces = [], []
        while blocks:
            heard = blocks[0][1]
            if heard is not self._heard:
                self._heard, self._folding = heard, Folding()
                self._number += 1
                streams.append((self._number, facts_of(heard)))
            count = next((n for n, each in enumerate(blocks) if each[1] is not heard), len(blocks))
            folded = self._folding.fold([block for block, _ in blocks[:count]])
            pieces += [(self._number, replace(each, at_s=each.at_s + since_s)) for each in folded]
            del blocks[:count]
        file.add(streams, pieces, events, time.time())

    def _is_due(self, why: Why) -> bool:
        """Return whether a minute has passed since one was kept for that reason."""
        now_s = time.monotonic()
        is_due = now_s - self._kept_at_s.get(why, -KEPT_S) >= KEPT_S
        if is_due:
            self._kept_at_s[why] = now_s
        return is_due

    def _set_aside(self, file: BoxFile, why: Why) -> Path:
        """Copy a file under a name that tells when and why; the oldest of that reason go."""
        at = datetime.now().astimezone()
        path = self._folder / f"{at:%Y%m%d-%H%M%S-%f}-{why}{ENDING}"
        file.tell("why", why)
        file.tell("kept", at.isoformat(timespec="milliseconds"))
        file.copy(path)
        # By a clock that was put back this one would be the oldest.
        others = sorted({*self._folder.glob(f"[0-9]*-{why}{ENDING}")} - {path})
        for old in others[: 1 - _MOST_OF_A_KIND]:
            old.unlink(missing_ok=True)
        return path

    def _take_over(self, path: Path) -> None:
        """Keep what a window has left that was not closed; one that still runs is left alone."""
        trace = path.with_suffix(_TRACE)
        try:
            # What was written last went there.
            beside = path.with_name(f"{path.name}-wal")
            at_s = max(each.stat().st_mtime for each in (path, beside) if each.exists())
            left = BoxFile(path, is_new=False)
        except sqlite3.DatabaseError as fault:
            if fault.sqlite_errorcode != sqlite3.SQLITE_BUSY:
                path.unlink(missing_ok=True)
            return
        except (FileNotFoundError, ValueError):
            return  # another window was the first
        try:
            # A file's time is of a coarser clock: by it the end could come before what led to it.
            at_s = max(at_s, left.last_event_s())
            left.add([], [], [Event(at_s, "crash", _crash_words(trace))])
            self._said.append(SetAside(self._set_aside(left, Why.CRASH), Why.CRASH))
        except sqlite3.DatabaseError:
            pass  # too damaged to be kept
        finally:
            left.close()
            trace.unlink(missing_ok=True)


def _crash_words(trace: Path) -> str:
    """Return where the interpreter was when it crashed, as far as it could say."""
    with suppress(OSError), trace.open(encoding="utf-8", errors="replace") as told:
        words = told.read(_MOST_TRACE).strip()
        if words:
            return words
    return "the window ended without being closed"


class _Trace:
    """A file to which the interpreter writes where it was when it crashes; gone where it ends."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> None:
        handle = os.open(self._path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
        self._file = open(handle, "w", encoding="utf-8")
        # One that was enabled by hand writes to where that hand wants it.
        self._is_ours = not faulthandler.is_enabled()
        if self._is_ours:
            faulthandler.enable(self._file)

    def __exit__(self, *_: object) -> None:
        if self._is_ours:
            faulthandler.disable()
        self._file.close()
        self._path.unlink(missing_ok=True)
