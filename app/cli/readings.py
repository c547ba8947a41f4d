"""Readings as they come, for other programs: one JSON object or one row of CSV each."""

from __future__ import annotations

import csv
import json
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

from app.cli.output import OutputFault
from app.live.view import Phase, View
from app.profiles import Profile
from app.text import provisos_of, view_as_json

SHORTEST_PAUSE_S = 0.02
"""Between two looks; readings come once a lobe, ten times a second or so."""

COLUMNS = ("at", "valid", "balance", "u_balance", "ratio", "u_ratio", "offset_um", "u_offset_um")
COLUMNS += ("side", "reason", "proviso")


class NewReadings:
    """Passes on what is new: a reading, or a state without one."""

    def __init__(self, write: Callable[[View, datetime], None]) -> None:
        self._write = write
        self._last: tuple[Phase, str, float] | None = None

    def show(self, view: View, now_s: float) -> None:
        """Pass on a view seen at a monotonic time, unless it was before."""
        here = (view.phase, view.message, view.reading_at_s)
        if here != self._last:
            self._last = here
            age_s = now_s - view.reading_at_s if view.reading is not None else 0.0
            self._write(view, datetime.fromtimestamp(time.time() - age_s, UTC))


def objects(out: TextIO, profile: Profile) -> NewReadings:
    """Return what writes a JSON object a reading, each in a line of its own."""

    def write(view: View, at: datetime) -> None:
        out.write(json.dumps(view_as_json(view, profile, at), allow_nan=False) + "\n")
        out.flush()

    return NewReadings(write)


@contextmanager
def logged(path: Path | None) -> Iterator[NewReadings | None]:
    """Write a row of CSV a reading to a new file, for as long as the block lasts.

    Raises
    ------
    OutputFault
        When the file is there already, or cannot be written.
    """
    if path is None:
        yield None
        return
    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            rows = csv.writer(file)
            rows.writerow(COLUMNS)

            def write(view: View, at: datetime) -> None:
                try:
                    rows.writerow(_row(view, at))
                    file.flush()
                except OSError as fault:
                    raise _unwritable(path, fault) from None

            yield NewReadings(write)
    except FileExistsError:
        raise OutputFault(f"--log: “{path}” is there already; name a new file") from None
    except OSError as fault:
        raise _unwritable(path, fault) from None


def _unwritable(path: Path, fault: OSError) -> OutputFault:
    return OutputFault(f"--log: “{path}” cannot be written: {fault.strerror}; name another place")


def _row(view: View, at: datetime) -> list[object]:
    reading = view.reading
    row: list[object] = [at.isoformat(timespec="milliseconds")]
    if reading is None or not reading.valid:
        reasons = [view.message] if reading is None else map(str, reading.reasons)
        return [*row, False, *[""] * 7, "; ".join(reasons), ""]
    row.append(True)
    for quantity in (reading.balance, reading.ratio, reading.offset_um):
        row += ["", ""] if quantity is None else [quantity.value, quantity.u]
    return [*row, reading.side or "", "", provisos_of(reading)[1]]
