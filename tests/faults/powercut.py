"""The power goes: what was written to the book's files and not synchronised may be there or not.

The system calls of a writer are recorded (by strace, which sees what SQLite really asks for), and
its files are put together as a disk may have them at some instant: what was synchronised, and of
what was written since each sector or not.
"""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.integration.killing import ROOT, kept_in

BOOK = "book.sqlite3"
_SECTOR = 512
_CALLS = "pwrite64,write,ftruncate,fsync,fdatasync,unlink"
_CALL = re.compile(r"^(\d+) +(\w+)\((.*)")
_RESUMED = re.compile(r"^(\d+) +<\.\.\. (\w+) resumed>")


@dataclass(frozen=True, slots=True)
class Call:
    """One call of the system: what it did, to which file, and with what.

    ``what`` is ``write``, ``cut`` (to the length `at`), ``sync``, ``unlink``, or ``say`` (a line
    that tells of something that it is kept).
    """

    what: str
    name: str
    at: int = 0
    data: bytes = b""


def recorded(folder: Path, lines: int) -> list[Call]:
    """Let a writer of the book run until it has said so many lines; returns its calls.

    Raises
    ------
    RuntimeError
        When it does not come so far.
    """
    trace = folder / "trace"
    command = ["strace", "-f", "-y", "-xx", "-s", "1000000", "-e", f"trace={_CALLS}", "-o"]
    writer = [sys.executable, "-m", "tests.peers.bookwriter", str(folder / BOOK), str(lines)]
    done = subprocess.run(
        [*command, str(trace), *writer], cwd=ROOT, capture_output=True, text=True, timeout=100
    )
    if done.returncode or done.stdout.count("\n") < lines:
        raise RuntimeError(done.stderr[-300:])
    return list(_calls(trace.read_text("ascii"), folder))


def cut(calls: Sequence[Call], at: int, rng: np.random.Generator, folder: Path) -> tuple[int, int]:
    """Put the files together as they may be after `at` calls; returns what was said and is kept.

    Raises
    ------
    Exception
        When the book does not open, or is not whole.
    """
    disk = _Disk(rng)
    for call in calls[:at]:
        disk.take(call)
    for name, content in disk.left():
        (folder / name).write_bytes(content)
    said = sum(call.data.count(b"\n") for call in calls[:at] if call.what == "say")
    path = folder / BOOK
    return said, kept_in(path) if path.exists() else 0


class _Disk:
    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng
        self._safe: dict[str, bytearray] = {}
        self._since: dict[str, list[Call]] = {}
        self._unlinked: set[str] = set()

    def take(self, call: Call) -> None:
        """Do one call."""
        name = call.name
        if call.what == "sync" and not name:
            # The folder: what was unlinked is gone for good.
            for each in self._unlinked:
                self._forget(each)
            self._unlinked.clear()
        elif call.what == "sync":
            for each in self._since.pop(name, ()):
                _do(self._safe.setdefault(name, bytearray()), each)
        elif call.what == "unlink":
            self._unlinked.add(name)
        elif call.what in ("write", "cut"):
            if name in self._unlinked:
                self._unlinked.discard(name)
                self._forget(name)
            self._since.setdefault(name, []).append(call)

    def left(self) -> Iterator[tuple[str, bytes]]:
        """Yield what may be there."""
        share = float(self._rng.choice((0.0, 0.5, 0.9, 1.0)))
        for name in {*self._safe, *self._since}:
            if name in self._unlinked and self._rng.random() < 0.5:
                continue
            content = bytearray(self._safe.get(name, b""))
            for each in self._since.get(name, ()):
                for part in _sectors(each):
                    if self._rng.random() < share:
                        _do(content, part)
            yield name, bytes(content)

    def _forget(self, name: str) -> None:
        self._safe.pop(name, None)
        self._since.pop(name, None)


def _do(content: bytearray, call: Call) -> None:
    if call.what == "cut":
        del content[call.at :]
    end = call.at + len(call.data)
    content.extend(bytes(max(0, end - len(content)) if call.data else 0))
    content[call.at : end] = call.data


def _sectors(call: Call) -> Iterator[Call]:
    if call.what == "cut":
        yield call
        return
    start = 0
    while start < len(call.data):
        stop = min(len(call.data), start + _SECTOR - (call.at + start) % _SECTOR)
        yield Call("write", call.name, call.at + start, call.data[start:stop])
        start = stop


def _calls(trace: str, folder: Path) -> Iterator[Call]:
    waiting: dict[str, Call] = {}
    for line in trace.splitlines():
        if found := _RESUMED.match(line):
            if (call := waiting.pop(found[1], None)) is not None:
                yield call
            continue
        found = _CALL.match(line)
        call = None if found is None else _call(found[2], found[3], folder)
        if found is None or call is None:
            continue
        # A synchronisation counts once it has come to its end.
        if call.what == "sync" and line.endswith("<unfinished ...>"):
            waiting[found[1]] = call
        else:
            yield call


def _call(what: str, rest: str, folder: Path) -> Call | None:
    first = re.match(r'(\d+)?<?"?((?:\\x..)+)', rest)
    if first is None:
        return None
    place = Path(_bytes(first[2]).decode("utf-8", "replace"))
    if what == "write":
        data = re.search(r', "((?:\\x..)*)"', rest)
        return Call("say", "", 0, _bytes(data[1])) if first[1] == "1" and data else None
    if place != folder and place.parent != folder:
        return None
    name = "" if place == folder else place.name
    if what in ("fsync", "fdatasync"):
        return Call("sync", name)
    if what == "unlink":
        return Call("unlink", name)
    if what == "ftruncate":
        length = re.search(r">, (\d+)", rest)
        return Call("cut", name, int(length[1])) if length else None
    data = re.search(r', "((?:\\x..)*)", \d+, (\d+)', rest)
    return Call("write", name, int(data[2]), _bytes(data[1])) if data else None


def _bytes(text: str) -> bytes:
    return bytes.fromhex(text.replace("\\x", ""))
