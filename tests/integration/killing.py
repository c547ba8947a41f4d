"""Kills a writer of the job book at random instants, and looks at what is left."""

import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from app.book.store import Book
from tests.peers.bookwriter import JOB_LENGTH

ROOT = Path(__file__).parents[2]
_PATIENCE_S = 60.0
_EARLY_PART = 0.25


@dataclass(frozen=True, slots=True)
class Left:
    """What was said to be kept, and what the book has after the kill."""

    said: int
    kept: int


def kill_once(path: Path, rng: np.random.Generator) -> Left:
    """Start a writer on `path`, kill it, and count.

    Most are killed within 0.4 s of their first line; every fourth while it starts, which may be
    while it makes the book. The book is checked throughout; an exception says what is wrong.
    """
    before = kept_in(path) if path.exists() else 0
    writer = subprocess.Popen(
        [sys.executable, "-m", "tests.peers.bookwriter", str(path)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
    )
    limit = threading.Timer(_PATIENCE_S, writer.kill)
    limit.start()
    try:
        assert writer.stdout is not None
        early = rng.random() < _EARLY_PART
        said = not early and bool(writer.stdout.readline())
        time.sleep(float(rng.uniform(0.2, 1.0) if early else rng.uniform(0.0, 0.4)))
    finally:
        writer.kill()
        rest, _ = writer.communicate()
        limit.cancel()
    # A line that the kill has cut was not said.
    kept = kept_in(path) - before if path.exists() else 0
    return Left(said + rest.count("\n"), kept)


def kept_in(path: Path) -> int:
    """Open a book that may have been killed, look through all of it, and count what it keeps."""
    kept = 0
    with Book(path) as book:
        book.check()
        for number in book.numbers():
            record = book.job(number)
            assert len(record.entries) <= JOB_LENGTH
            kept += len(record.entries) + len(record.outcomes) + bool(record.closed_at)
            if record.outcomes:
                assert len(record.entries) == JOB_LENGTH
                assert record.as_found.offset_um is not None
    return kept
