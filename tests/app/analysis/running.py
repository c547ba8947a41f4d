"""Running the analysis over arrays, at once or in small blocks as a live source has them."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from app.analysis.envelope.setup import Columns, Setup
from app.analysis.lobes.analyser import Analyser
from app.analysis.results import Reading
from instruments.source import Block
from tests.synthesis import Made, Signal, make

RAW = ("plus", "minus", "index")
BARE = ("plus", "minus")
BLOCK_S = 0.01
_LEAD_S = 0.05

BRISK = {"rate_hz": 250e3, "carrier_hz": 61e3}
"""A rate that keeps the tests short; the carrier is no simple part of it."""


def setup_for(names: tuple[str, ...], rate_hz: float, **more) -> Setup:
    """Return a setup for columns of these names."""
    columns = Columns(**{name: place for place, name in enumerate(names)})
    more.setdefault("bandwidth_hz", 0.5 * rate_hz)
    return Setup(columns=columns, channels=len(names), sample_rate_hz=rate_hz, **more)


def block_of(samples, first_index: int = 0, **said) -> Block:
    """Return samples as a block; its rate and time count for nothing in the analysis."""
    samples_v = np.ascontiguousarray(samples, dtype=np.float32)
    return Block(samples_v, 1.0, first_index, float(first_index), **said)


def analyse(samples, rate_hz: float, names: tuple[str, ...] = RAW, **more) -> Reading:
    """Return the summary of a capture, shape (frames, columns)."""
    samples = np.ascontiguousarray(samples, dtype=np.float32)
    analyser = Analyser(setup_for(names, rate_hz, **more), keep_all=True)
    for start in range(0, len(samples), 1 << 17):
        analyser.push(block_of(samples[start : start + (1 << 17)], start))
    analyser.finish()
    return analyser.summary()


def measured(signal: Signal, names: tuple[str, ...] = RAW, **more) -> tuple[Reading, Made]:
    """Return the summary of a made signal, and the signal."""
    made = make(signal)
    return analyse(made.columns(*names), signal.rate_hz, names, **more), made


def live(
    samples,
    rate_hz: float,
    names: tuple[str, ...] = RAW,
    *,
    block_s: float = BLOCK_S,
    from_s: float = 0.0,
    at: dict[float, Callable[[Analyser], object]] | None = None,
    **more,
) -> Iterator[tuple[float, Reading]]:
    """Push blocks of `block_s` and yield the time and the reading after each.

    What comes before `from_s`, where nobody looks, is pushed in longer blocks: a few cost less than
    many short ones.
    `at` holds what else to do with the analyser, by the time at which it is due.
    """
    samples = np.ascontiguousarray(samples, dtype=np.float32)
    analyser = Analyser(setup_for(names, rate_hz, **more))
    size, lead = round(block_s * rate_hz), round(_LEAD_S * rate_hz)
    due = sorted((at or {}).items())
    end = 0
    while end + size <= len(samples):
        start, end = end, end + (lead if end + lead <= from_s * rate_hz else size)
        analyser.push(block_of(samples[start:end], start))
        time_s = end / rate_hz
        while due and due[0][0] <= time_s:
            due.pop(0)[1](analyser)
        yield time_s, analyser.reading


def texts(messages) -> list[str]:
    """Return messages as sentences."""
    return [str(message) for message in messages]
