"""Runs a target over and over, within limits of time and memory."""

from __future__ import annotations

import resource
import signal
import tempfile
import time
import traceback
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tests.fuzz.mutator import mutated
from tests.fuzz.targets import Target

LONGEST_S = 5
MOST_BYTES = 512 << 20
_MOST_FINDS = 10
_MOST_KEPT = 300


@dataclass(frozen=True, slots=True)
class Find:
    """Input that gave what no input may give, and what that was."""

    data: bytes
    why: str


@dataclass(slots=True)
class Found:
    """What came of a run; ``answers`` counts those that differ."""

    executions: int = 0
    answers: int = 0
    slowest_s: float = 0.0
    finds: list[Find] = field(default_factory=list)


def limited() -> None:
    """Let the process take so much more memory than it has taken by now, and no more."""
    with open("/proc/self/statm", encoding="ascii") as told:
        taken = int(told.read().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (taken + MOST_BYTES, resource.RLIM_INFINITY))


def fuzzed(target: Target, executions: int, seed: int) -> Found:
    """Try a target so often; input that is answered in a new way is changed further."""
    rng = np.random.default_rng(seed)
    found = Found()
    first = target.corpus()
    kept: list[bytes] = []
    answers: set[str] = set()
    places: set[str] = set()
    with (
        tempfile.TemporaryDirectory(prefix="evenlobe-fuzz-") as name,
        target.opened(Path(name)) as read,
    ):
        for number in range(executions):
            # What it is tried from comes first, as it is.
            data = first[number] if number < len(first) else mutated(first + kept, rng)
            begun_s = time.perf_counter()
            try:
                with _deadline(), warnings.catch_warnings():
                    warnings.simplefilter("error")
                    answer = read(data)
            except Exception as fault:
                why = "".join(traceback.format_exception(fault, limit=-3)).strip()
                # One find a place.
                place = why.rpartition("File ")[2].partition("\n")[0]
                if place not in places and len(found.finds) < _MOST_FINDS:
                    places.add(place)
                    found.finds.append(Find(data, why))
                continue
            finally:
                found.executions += 1
                found.slowest_s = max(found.slowest_s, time.perf_counter() - begun_s)
            if answer not in answers:
                answers.add(answer)
                kept = [*kept, data][-_MOST_KEPT:]
    found.answers = len(answers)
    return found


class Overdue(Exception):  # noqa: N818 - it is what has happened
    """Input that is read for too long."""


@contextmanager
def _deadline() -> Iterator[None]:
    def ring(*_: object) -> None:
        raise Overdue(f"it takes more than {LONGEST_S} s")

    before = signal.signal(signal.SIGALRM, ring)
    signal.alarm(LONGEST_S)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
