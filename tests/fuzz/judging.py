"""Reads input and keeps what came out of it that no input may bring out."""

from __future__ import annotations

import hashlib
import resource
import tempfile
import time
import traceback
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.fuzz.targets import Reader, Target

LONGEST_S = 5.0
MOST_BYTES = 512 << 20
LONGEST = 1 << 16
"""Input is never longer than this."""
_IN_MEMORY = Path("/dev/shm")


class Judge:
    """Reads input; what is no refusal goes into a folder, one find a place of the program.

    Beside each ``find-…`` lies ``find-….why``; ``slowest`` holds the most seconds that any took.

    Attributes
    ----------
    slowest_s : float
        The longest that any input took.
    """

    def __init__(self, read: Reader, folder: Path) -> None:
        self._read = read
        self._folder = folder
        self._places: set[str] = set()
        self._unraisable: list[str] = []
        self.executions = 0
        self.slowest_s = 0.0

    def __call__(self, data: bytes) -> str:
        """Read input, and return in a word what came of it."""
        begun_s = time.perf_counter()
        answer = ""
        try:
            answer = self._read(data)
        except Exception as fault:
            self._keep(data, fault)
        took_s = time.perf_counter() - begun_s
        self.executions += 1
        if took_s > self.slowest_s:
            self.slowest_s = took_s
            (self._folder / "slowest").write_text(f"{took_s:.3f}", encoding="ascii")
            if took_s > LONGEST_S:
                self._keep(data, TimeoutError(f"it takes {took_s:.1f} s"))
        return answer

    def _keep(self, data: bytes, fault: Exception) -> None:
        why = "".join(traceback.format_exception(fault, limit=-6)).strip()
        last = traceback.extract_tb(fault.__traceback__)[-1:]
        place = f"{type(fault).__name__} {last[0].filename}:{last[0].lineno}" if last else why
        if place in self._places:
            return
        self._places.add(place)
        path = self._folder / f"find-{hashlib.sha256(data).hexdigest()[:12]}"
        path.write_bytes(data)
        path.with_suffix(".why").write_text(why, encoding="utf-8")


@contextmanager
def judged(target: Target, folder: Path) -> Iterator[Judge]:
    """Open a target, with warnings as errors; what is found goes into the folder."""
    where = _IN_MEMORY if _IN_MEMORY.is_dir() else None
    with (
        # What is written to be read again need not go by way of a disk.
        tempfile.TemporaryDirectory(prefix="evenlobe-fuzz-", dir=where) as name,
        target.opened(Path(name)) as read,
        warnings.catch_warnings(),
    ):
        warnings.simplefilter("error")
        yield Judge(read, folder)


def limited() -> None:
    """Let the process take so much more memory than it has taken by now, and no more."""
    with open("/proc/self/statm", encoding="ascii") as told:
        taken = int(told.read().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (taken + MOST_BYTES, resource.RLIM_INFINITY))
