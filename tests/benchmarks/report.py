"""How long a job's report takes, as HTML and as PDF, with a history of fifty jobs behind it."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from app.book.model import JobSummary
from app.cli.book import write_report
from app.job.model import Summary, Value
from tests.app.book.museum import record

_JOBS = 50
_COPIES = 10
_LIMIT_S = 3.0


def report(say: Callable[[str], None]) -> None:
    """Print seconds for each ending and paper; the first PDF has Qt started as well."""
    job = record()
    # As many measurements as a thorough job keeps, each with its turn of envelope.
    job = replace(job, entries=job.entries * _COPIES)
    past = [_past(number) for number in range(_JOBS)]
    say(f"report of {len(job.entries)} measurements, {_JOBS} jobs of history (limit {_LIMIT_S} s)")
    with tempfile.TemporaryDirectory(prefix="evenlobe-") as folder:
        for name, paper in (("r.html", "a4"), ("r.pdf", "a4"), ("r.pdf", "letter")):
            out = Path(folder) / name
            begun = time.perf_counter()
            write_report(job, past, out, paper, overwrite=True)
            taken = time.perf_counter() - begun
            kind = out.suffix[1:] if name == "r.html" else f"{out.suffix[1:]} {paper}"
            verdict = "ok" if taken < _LIMIT_S else "TOO LONG"
            say(f"  {kind:<10} {taken:6.3f} s  {out.stat().st_size / 1024:6.0f} KiB  {verdict}")


def _past(number: int) -> JobSummary:
    at = f"{1980 + number}-03-01T10:00:00+01:00"
    found, left = (Summary(Value("", um, 1.5, "µm")) for um in (-10.0 - number % 7, 0.5))
    return JobSummary(100 + number, at, at, False, found, left, 2)
