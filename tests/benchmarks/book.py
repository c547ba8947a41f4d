"""The job book: how long it takes when it is large, and what kills leave of it."""

from __future__ import annotations

import json
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from app.analysis.adjust.drift import drift_of
from app.analysis.results import Quantity
from app.book import codec
from app.book.schema import KEEP_TAKING, SEAL_DRIVE, SEAL_JOB
from app.book.store import Book
from app.job.model import Summary, Value
from tests.app.book.jobs import HEAD, entry
from tests.benchmarks.tables import table
from tests.integration.killing import kill_once

DRIVES, JOBS = 1000, 50
KILLS = 200
_STORED = 200


def report(say: Callable[[str], None]) -> None:
    """Print how long a book of 1000 drives with 50 jobs each takes."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "book.sqlite3"
        _fill(path)
        begun = time.perf_counter()
        book = Book(path)
        opened = time.perf_counter()
        found = book.drives("hall 7")
        searched = time.perf_counter()
        past = book.history(found[0].drive.identity)
        offsets = [each.as_left.offset_um for each in past]
        days = np.arange(len(past)) * 30.0
        drift_of(days, [Quantity(each.value, each.u or 0.0) for each in offsets if each])
        charted = time.perf_counter()
        number = past[-1].number
        stored_ms = []
        for each in range(_STORED):
            begin = time.perf_counter()
            book.keep(number, entry(each))
            stored_ms.append(1e3 * (time.perf_counter() - begin))
        book.close()
        size_mb = path.stat().st_size / 1e6
    rows = [
        ("open", f"{1e3 * (opened - begun):.0f} ms"),
        (f"search, {len(found)} drives found", f"{1e3 * (searched - opened):.0f} ms"),
        (f"history of {len(past)} jobs with its drift", f"{1e3 * (charted - searched):.0f} ms"),
        ("open, search and chart (allowed 200 ms)", f"{1e3 * (charted - begun):.0f} ms"),
        ("one measurement stored, median", f"{np.median(stored_ms):.1f} ms"),
        (f"the slowest of {_STORED} (allowed 20 ms)", f"{max(stored_ms):.1f} ms"),
        ("size of the book", f"{size_mb:.0f} MB"),
    ]
    say(table(f"job book: {DRIVES} drives with {JOBS} jobs each", ("what", "measured"), rows))


def report_kills(say: Callable[[str], None]) -> None:
    """Print what 200 kills at random instants leave of a book."""
    rng = np.random.default_rng(9)
    lost = unsaid = said = 0
    with tempfile.TemporaryDirectory() as folder:
        for number in range(KILLS):
            left = kill_once(Path(folder) / f"{number % 20}.sqlite3", rng)
            said += left.said
            lost += left.said > left.kept
            unsaid += left.kept > left.said
    rows = [
        ("opened clean", f"{KILLS} of {KILLS}"),
        ("things said to be kept", f"{said}"),
        ("kills that lost one of them", f"{lost}"),
        ("kills after which one more was kept than said", f"{unsaid}"),
    ]
    say(table(f"job book: {KILLS} kills of its writer", ("what", "measured"), rows))


def _fill(path: Path) -> None:
    """Write many jobs at once; one by one they would take an hour."""
    book = Book(path)
    body, turns = codec.as_text(entry()), codec.packed(entry().turns)
    head = codec.as_tree(HEAD)
    with book.whole():
        db = book._db
        for drive in range(DRIVES):
            identity = f"TM-{drive:04d}"
            db.execute(
                "INSERT INTO drives (identity, profile, note, added_at) VALUES (?, ?, ?, ?)",
                (identity, "130mm-48tpi", f"ticket machine, hall {drive % 40}", HEAD.opened_at),
            )
            db.execute(SEAL_DRIVE, (identity,))
            for job in range(JOBS):
                summary = codec.as_text(
                    Summary(
                        Value("", job * 0.1 + drive % 7, 1.0, "µm"),
                        Value("", 6.0, 0.5, "µm"),
                        Value("", 300.0, 0.02, "rpm"),
                    )
                )
                done = db.execute(
                    "INSERT INTO jobs (uid, drive, opened_at, source, virtual, software, profile, "
                    "profile_values, conditions, as_found, as_left, kept) "
                    "VALUES (?, ?, ?, ?, 0, ?, ?, ?, ?, ?, ?, 1)",
                    (
                        f"{drive}-{job}",
                        drive + 1,
                        HEAD.opened_at,
                        HEAD.source,
                        HEAD.software,
                        HEAD.profile,
                        json.dumps(head["profile_values"]),
                        "[]",
                        summary,
                        summary,
                    ),
                )
                db.execute(SEAL_JOB, (done.lastrowid,))
                db.execute(KEEP_TAKING, (done.lastrowid, body, turns, turns))
    book.close()
