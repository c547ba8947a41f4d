"""Many draws: each repeatable by seed, class and number, spread over processes."""

from __future__ import annotations

import multiprocessing
import time
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tests.hunt.calibration import ROWS
from tests.hunt.classes import SINGLE
from tests.hunt.draws import Draw, HuntClass
from tests.hunt.further import FURTHER
from tests.hunt.judge import Verdict, crashed, judge
from tests.hunt.live import LIVE, judge_live
from tests.hunt.mixed import MixedClass
from tests.hunt.signal import Capture, capture
from tests.hunt.through import measured, watched

_CHUNK = 8

CLASSES: dict[str, HuntClass | MixedClass] = {
    **{each.name: each for each in (*SINGLE, *FURTHER, *ROWS, MixedClass())},
    **LIVE,
}
"""All classes by name; those of the live needle begin with ``live:``."""


@dataclass(frozen=True, slots=True)
class Key:
    """What names one draw for good."""

    name: str
    seed: int
    number: int

    def __str__(self) -> str:
        return (
            f"python -m tests.hunt --class {self.name} --seed {self.seed} --draw {self.number} "
            "--show"
        )


@dataclass(frozen=True, slots=True)
class Outcome:
    """One draw, measured and judged."""

    key: Key
    verdict: Verdict
    is_plain: bool
    doses: tuple[str, ...] = ()


def drawn(key: Key) -> tuple[Draw, Capture]:
    """Return what a key stands for: the draw, and the capture made of it."""
    # A class's number is that of its name, so that a new class leaves all others as they were.
    rng = np.random.default_rng([key.seed, zlib.crc32(key.name.encode()), key.number])
    draw = CLASSES[key.name].draw(rng)
    return draw, capture(draw.conditions, draw.doses, rng)


def tried(key: Key) -> Outcome:
    """Draw, measure and judge."""
    draw, made = drawn(key)
    try:
        verdict = held(key, made)
    except Exception as fault:  # a fault of the program under test is what is looked for
        verdict = crashed(fault)
    return Outcome(key, verdict, draw.is_plain, tuple(map(str, draw.doses)))


def held(key: Key, made: Capture) -> Verdict:
    """Measure a capture as its class says, and judge what comes of it."""
    if key.name in LIVE:
        return judge_live(watched(made), made.truth)
    return judge(measured(made), made.truth)


def run(
    names: Sequence[str], seed: int, draws: int, workers: int, seconds: float = float("inf")
) -> Iterator[Outcome]:
    """Yield outcomes, class beside class, until all are done or the time is over.

    The first draws of all classes come before the second ones.
    """
    until_s = time.monotonic() + seconds
    keys = (Key(name, seed, number) for number in range(draws) for name in names)
    if workers <= 1:
        for key in keys:
            yield tried(key)
            if time.monotonic() > until_s:
                return
        return
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        for outcome in pool.imap_unordered(tried, keys, _CHUNK):
            yield outcome
            if time.monotonic() > until_s:
                return
