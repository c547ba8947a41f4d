"""The black box's file: SQLite, written while the window runs, and read again with caution.

It holds the last minute: what was open, pairs of its samples, what the needle showed, and faults.
Nothing of drives, jobs and people is in it, unless the address of a source names one.
"""

from __future__ import annotations

import json
import os
import sqlite3
import stat
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np

from app.blackbox.pairs import Piece
from app.files import atomic_write
from app.stamp import version
from instruments.source import Role

KEPT_S = 60.0
ENDING = ".blackbox"
RUNNING = "running-"
"""How the name of a file begins that a window writes to, or has left."""
_APPLICATION = 0x45764278
_MOST_BYTES = 64 << 20
_LATEST_S = 1e11
"""Beyond that no calendar goes, and no box."""
_SCHEMA = """
CREATE TABLE about (key TEXT PRIMARY KEY, words TEXT NOT NULL) STRICT;
CREATE TABLE streams (number INTEGER PRIMARY KEY, facts TEXT NOT NULL) STRICT;
CREATE TABLE pieces (at_s REAL NOT NULL, stream INTEGER NOT NULL, first_index INTEGER NOT NULL,
    bin_s REAL NOT NULL, gap INTEGER NOT NULL, at_index INTEGER NOT NULL, pairs BLOB NOT NULL
) STRICT;
CREATE TABLE events (at_s REAL NOT NULL, kind TEXT NOT NULL, words TEXT NOT NULL,
    facts TEXT NOT NULL) STRICT;
"""
_TABLES = {("table", name) for name in ("about", "streams", "pieces", "events")}


class BoxError(Exception):
    """A black box that cannot be read; the message is one sentence."""


@dataclass(frozen=True, slots=True)
class Event:
    """What happened.

    Attributes
    ----------
    at_s : float
        When, in seconds since 1970.
    kind : str
        ``reading`` where the needle showed a new valid one, ``state`` where it showed none,
        ``fault`` of the program, ``crash``.
    words : str
        For a person.
    facts : dict or None
        What the needle showed, as ``measure --live --json`` prints it.
    """

    at_s: float
    kind: str
    words: str
    facts: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Stream:
    """What was open: facts as :func:`app.blackbox.playing.facts_of` writes them, and its pieces."""

    facts: dict[str, Any]
    roles: tuple[Role, ...]
    pieces: tuple[Piece, ...]


@dataclass(frozen=True, slots=True)
class Box:
    """What a file holds, in the order of its times."""

    about: dict[str, str]
    streams: tuple[Stream, ...]
    events: tuple[Event, ...]


class BoxFile:
    """A file that is written to. It belongs to one thread, and is locked against all others.

    Raises
    ------
    OSError, sqlite3.Error
        When it cannot be written.
    """

    def __init__(self, path: Path, *, is_new: bool = True) -> None:
        self.path = path
        if is_new:
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
        self._db = sqlite3.connect(
            f"{path.as_uri()}?mode=rw", uri=True, timeout=0.0, isolation_level=None
        )
        try:
            # The lock tells another window that this one still runs, and ends with the process.
            self._db.execute("PRAGMA locking_mode = EXCLUSIVE")
            if is_new:
                self._db.execute("PRAGMA journal_mode = WAL")
                self._db.execute("PRAGMA synchronous = NORMAL")
                self._db.executescript(f"PRAGMA application_id = {_APPLICATION}; {_SCHEMA}")
                self.tell("program", version())
            else:
                self._db.execute("BEGIN EXCLUSIVE")
                self._db.execute("COMMIT")
        except BaseException:
            self._db.close()
            raise

    def tell(self, key: str, words: str) -> None:
        """Say something of the file as a whole."""
        self._db.execute("INSERT OR REPLACE INTO about VALUES (?, ?)", (key, words))

    def last_event_s(self) -> float:
        """Return when the last event was, 0 where there is none."""
        (at_s,) = self._db.execute("SELECT max(at_s) FROM events").fetchone()
        return at_s or 0.0

    def add(
        self,
        streams: Iterable[tuple[int, dict[str, Any]]],
        pieces: Iterable[tuple[int, Piece]],
        events: Iterable[Event],
        now_s: float | None = None,
    ) -> None:
        """Add what has come, and let go what is then no longer of the last minute.

        Times are in seconds since 1970; without `now_s` nothing goes.
        """
        self._db.execute("BEGIN")
        self._db.executemany(
            "INSERT INTO streams VALUES (?, ?)",
            ((number, json.dumps(facts)) for number, facts in streams),
        )
        self._db.executemany(
            "INSERT INTO pieces VALUES (?, ?, ?, ?, ?, ?, ?)", map(_row_of, pieces)
        )
        self._db.executemany(
            "INSERT INTO events VALUES (?, ?, ?, ?)",
            ((each.at_s, each.kind, each.words, json.dumps(each.facts)) for each in events),
        )
        if now_s is not None:
            self._forget(now_s)
        self._db.execute("COMMIT")

    def _forget(self, now_s: float) -> None:
        # A clock that was put back has left what is to come; else that would stay for ever.
        for table in ("pieces", "events"):
            self._db.execute(
                f"DELETE FROM {table} WHERE at_s NOT BETWEEN ? AND ?",
                (now_s - KEPT_S, now_s + KEPT_S),
            )
        self._db.execute(
            "DELETE FROM streams WHERE number NOT IN (SELECT stream FROM pieces) "
            "AND number < (SELECT max(number) FROM streams)"
        )

    def copy(self, path: Path) -> None:
        """Write what is there now to a file of its own, which appears whole."""
        with atomic_write(path) as part:
            self._db.execute("VACUUM INTO ?", (str(part),))

    def close(self) -> None:
        """Close it and remove it."""
        self._db.close()
        for beside in ("", "-wal", "-shm", "-journal"):
            with suppress(OSError):
                self.path.with_name(self.path.name + beside).unlink()


def _row_of(numbered: tuple[int, Piece]) -> tuple[Any, ...]:
    stream, piece = numbered
    pairs = piece.pairs_v.astype("<f4").tobytes()
    flags = int(piece.gap_before), int(piece.at_index)
    return piece.at_s, stream, piece.first_index, piece.bin_s, *flags, pairs


def read_box(path: Path) -> Box:
    """Read a black box, which may be anybody's.

    Raises
    ------
    BoxError
        When it is none, or is damaged.
    """
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode) or not _head(path).startswith(b"SQLite"):
            raise BoxError(f"“{path}” is no black box; name a file that ends in {ENDING}")
        if found.st_size > _MOST_BYTES:
            raise BoxError(f"“{path}” is larger than a black box ever is; name another")
        with _opened(path) as db:
            if set(db.execute("SELECT type, name FROM sqlite_master WHERE sql > ''")) != _TABLES:
                raise BoxError(f"“{path}” is no black box; name a file that ends in {ENDING}")
            return _box_of(db)
    except OSError as fault:
        raise BoxError(f"“{path}” cannot be read: {fault.strerror}; check its name") from None
    except (sqlite3.Error, ValueError, TypeError, KeyError, RecursionError):
        raise BoxError(f"“{path}” is damaged; keep it, and ask for another") from None


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(16)


@contextmanager
def _opened(path: Path) -> Iterator[sqlite3.Connection]:
    # As it is, without what may lie beside it under other names.
    uri = f"{path.absolute().as_uri()}?mode=ro&immutable=1"
    with closing(sqlite3.connect(uri, uri=True)) as db:
        db.execute("PRAGMA trusted_schema = OFF")
        db.text_factory = lambda data: data.decode("utf-8", "replace")
        yield db


def _box_of(db: sqlite3.Connection) -> Box:
    about = {str(key): str(words) for key, words in db.execute("SELECT key, words FROM about")}
    rows = db.execute("SELECT at_s, kind, words, facts FROM events ORDER BY at_s, rowid")
    events = tuple(
        Event(_time(at_s), str(kind), str(words), _facts(facts))
        for at_s, kind, words, facts in rows
    )
    streams = []
    for number, text in db.execute("SELECT number, facts FROM streams ORDER BY number"):
        facts = _facts(text)
        if facts is None:
            raise ValueError("a stream of which nothing is said")
        roles = tuple(Role(each) for each in facts["roles"])
        rows = db.execute(
            "SELECT at_s, first_index, bin_s, gap, at_index, pairs FROM pieces WHERE stream = ? "
            "ORDER BY at_s, rowid",
            (number,),
        )
        streams.append(Stream(facts, roles, tuple(_piece_of(row, len(roles)) for row in rows)))
    return Box(about, tuple(streams), events)


def _piece_of(row: tuple[Any, ...], channels: int) -> Piece:
    at_s, first_index, bin_s, gap, at_index, data = row
    if not isinstance(first_index, int) or not 1e-9 < _finite(bin_s) < 1e3:
        raise ValueError("a piece of no length")
    pairs_v = np.frombuffer(data, "<f4").reshape(-1, 2 * channels)
    pairs_v = pairs_v.reshape(-1, channels).astype(np.float32)
    return Piece(_time(at_s), first_index, bin_s, bool(gap), bool(at_index), pairs_v)


def _facts(text: str) -> dict[str, Any] | None:
    facts = json.loads(text, parse_constant=_refuse)
    if facts is not None and not isinstance(facts, dict):
        raise ValueError("facts without names")
    return facts


def _refuse(word: str) -> None:
    raise ValueError(f"{word} is no number")


def _time(value: object) -> float:
    if not 0.0 <= _finite(value) < _LATEST_S:
        raise ValueError("a time of no day")
    return _finite(value)


def _finite(value: object) -> float:
    if not isinstance(value, float) or not isfinite(value):
        raise ValueError("a time that is none")
    return value
