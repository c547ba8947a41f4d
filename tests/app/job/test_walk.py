"""One measurement of a job, followed from the ask to the book's file.

It is compared with the table "The walk of a measurement" in DEVELOPERS.md: a step that is not in
the table, or one in the table that is not taken, fails.
"""

from __future__ import annotations

import inspect
import re
import sys
import threading
from dataclasses import fields, is_dataclass
from pathlib import Path

from app.analysis.results import Measurand, Measurement
from app.book.store import Book
from app.book.writer import JobWriter
from app.cli.conduct import conduct
from app.job.model import CheckName, Entry
from app.live.measurement import EnvelopeOptions
from instruments.virtual.params import VirtualParams
from instruments.virtual.source import VirtualSource
from tests.app.book.jobs import DRIVE, HEAD, now
from tests.app.job.hands import PROFILE

_DEVELOPERS = Path(__file__).parents[3] / "DEVELOPERS.md"
_MOST_HOPS = 12


def test_a_measurement_walks_from_the_ask_to_the_file_as_the_table_says(tmp_path):
    # The same seed gives the same samples: the first job tells the number to look for.
    offset_um = offset_of(measured(tmp_path / "first.sqlite3"))
    walk = Walk(offset_um)
    sys.setprofile(walk.notice)
    threading.setprofile(walk.notice)
    try:
        kept = measured(tmp_path / "second.sqlite3")
    finally:
        sys.setprofile(None)
        threading.setprofile(None)
    assert offset_of(kept) == offset_um
    hops = table()
    assert 0 < len(hops) <= _MOST_HOPS
    assert walk.seen() == {step for hop in hops for step in hop}
    # In the table's order, as far as one thread takes the steps.
    places = [min(map(walk.place, hop)) for hop in hops]
    assert places == sorted(places)


def measured(path: Path) -> Entry:
    """Do a job of one measurement, and return what the book kept of it."""
    source = VirtualSource(VirtualParams(seed=3, rate=500e3, pace="fast"), paced=False)
    source.open()
    kept = JobWriter(DRIVE, HEAD, now, path=path)
    conduct(source, PROFILE, EnvelopeOptions(), checks=(CheckName.RADIAL,), log=kept)
    assert kept.finish() == ""
    with Book(path) as book:
        return next(e for e in book.job(1).entries if e.label == "side 0")


def offset_of(entry: Entry) -> float:
    return next(value.value for value in entry.values if value.name == "offset")


def table() -> list[list[tuple[str, str]]]:
    """Return the types and the module of each row."""
    text = _DEVELOPERS.read_text(encoding="utf-8")
    rows = re.findall(
        r"^\| \d+ \|[^|]*\|([^|]*)\| `([\w.]+)` \|$",
        text.split("The walk of a measurement", 1)[1].split("\n## ", 1)[0],
        flags=re.MULTILINE,
    )
    return [[(module, name) for name in re.findall(r"`(\w+)`", types)] for types, module in rows]


class Walk:
    """What is made of one offset on its way, and by whose methods it goes.

    Noticed are the ask; the values that hold the offset, made until it is in an entry; and the
    classes, and the book's functions, that are handed what is to be measured, or a measurement or
    an entry with the offset.
    """

    def __init__(self, offset_um: float) -> None:
        self._offset_um = offset_um
        self._steps: dict[tuple[str, str], None] = {}
        self._is_entered = False

    def seen(self) -> set[tuple[str, str]]:
        return set(self._steps)

    def place(self, step: tuple[str, str]) -> int:
        return list(self._steps).index(step)

    def notice(self, frame, event, arg) -> None:
        code = frame.f_code
        if event == "return" and code.co_name == "__init__":
            self._notice_made(frame.f_locals.get("self"))
        elif event == "call" and frame.f_globals.get("__name__", "").startswith("app."):
            self._notice_handed(frame)

    def _notice_made(self, made: object) -> None:
        if not is_dataclass(made) or not type(made).__module__.startswith("app."):
            return
        asks = isinstance(getattr(made, "measurand", None), Measurand)
        if not self._is_entered and (asks or self._holds(made)):
            self._add(made)
            self._is_entered = isinstance(made, Entry)

    def _notice_handed(self, frame) -> None:
        code = frame.f_code
        hidden = code.co_name.startswith("_") and code.co_name != "__init__"
        if hidden or code.co_filename == "<string>":
            return
        names = code.co_varnames[: code.co_argcount]
        given = [frame.f_locals.get(name) for name in names if name != "self"]
        if code.co_flags & inspect.CO_VARARGS:
            rest = code.co_varnames[code.co_argcount + code.co_kwonlyargcount]
            given += frame.f_locals.get(rest, ())
        if not any(map(self._is_payload, given)):
            return
        if "self" in names:
            self._add(frame.f_locals["self"])
        elif frame.f_globals["__name__"].startswith("app.book"):
            self._steps.setdefault((frame.f_globals["__name__"], code.co_name))

    def _is_payload(self, given: object) -> bool:
        if isinstance(given, Measurement | Entry):
            return self._holds(given)
        asked = given if isinstance(given, Measurand) else getattr(given, "measurand", None)
        return isinstance(asked, Measurand) and not self._is_entered

    def _add(self, step: object) -> None:
        self._steps.setdefault((type(step).__module__, type(step).__name__))

    def _holds(self, what: object, depth: int = 4) -> bool:
        if isinstance(what, float):
            return what == self._offset_um
        if depth == 0:
            return False
        if isinstance(what, tuple):
            return any(self._holds(each, depth - 1) for each in what)
        if not is_dataclass(what) or not type(what).__module__.startswith("app."):
            return False
        return any(self._holds(getattr(what, f.name, None), depth - 1) for f in fields(what))
