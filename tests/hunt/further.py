"""Classes that were written after the analysis, by somebody who had not read it.

They stand apart from those of :mod:`~tests.hunt.classes`, under which the analysis grew, so that a
campaign tells what it makes of faults that nobody told it of. A class stays here for good.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.random import Generator

from tests.hunt import bench, patterns, unforeseen
from tests.hunt.classes import spoiled
from tests.hunt.draws import (
    ENVELOPE,
    GROUPS,
    ONE_PAIR,
    PHASES,
    RAW,
    RECORDS,
    SAMPLES,
    Draw,
    Frame,
    HuntClass,
)
from tests.hunt.patterns import Pattern

_FRACTIONS = (1 / 4, 1 / 3, 2 / 5)
"""Of the rate: harmonics of such a carrier fall upon it, or stand still beside it."""


@dataclass(frozen=True, slots=True)
class NearRate(HuntClass):
    """A class whose carrier is near a simple fraction of the sample rate, or all but there."""

    def draw(self, rng: Generator) -> Draw:
        """Return what one capture is made of."""
        drawn = HuntClass.draw(self, rng)
        conditions = drawn.conditions
        off = rng.choice([-1.0, 1.0]) * np.exp(rng.uniform(np.log(1e-6), np.log(1e-2)))
        carrier_hz = conditions.cycles * conditions.rpm / 60.0
        rate_hz = carrier_hz / rng.choice(_FRACTIONS) * (1.0 + off)
        return replace(drawn, conditions=replace(conditions, rate_hz=float(rate_hz)))


def _narrow(rng: Generator, balance: float) -> Pattern:
    apart = 0.5 + rng.uniform(-0.1, 0.1)
    return patterns.humps(balance, rng.uniform(0.12, 0.3), rng.uniform(0.02, 0.04), apart)


FURTHER: tuple[HuntClass, ...] = (
    spoiled("ordinary-track", unforeseen.ordinary_track, (0.01, 0.3), kinds=(*RAW, *RECORDS)),
    spoiled("grain", unforeseen.grain, (0.003, 0.1, 0.003, 0.02), kinds=SAMPLES),
    spoiled("older-recording", unforeseen.older_recording, (3e-3, 0.2, 3e-3, 0.03), kinds=SAMPLES),
    spoiled(
        "two-passes",
        unforeseen.two_passes,
        (1e-4, 0.03, 1e-4, 0.003),
        both_signs=True,
        geometries=("two-band", *GROUPS),
    ),
    spoiled("crossover", unforeseen.crossover, (0.002, 0.1)),
    spoiled(
        "supply-bursts",
        unforeseen.supply_bursts,
        (0.01, 2.0, 0.01, 0.1),
        kinds=SAMPLES,
        speed_part=1e-3,
    ),
    spoiled("loose-probe", unforeseen.loose_probe, (0.3, 10.0), kinds=PHASES),
    spoiled("level-control", unforeseen.level_control, (0.41e-3, 0.42), kinds=SAMPLES),
    spoiled(
        "scope-average",
        unforeseen.scope_average,
        (0.003, 3.0, 0.003, 0.01),
        turns=(2.3, 2.6),
        spare=(0.0, 0.05),
        lead=(0.0, 0.02),
    ),
    spoiled(
        "trigger-walks",
        unforeseen.trigger_walks,
        (0.42, 0.58),
        is_even=True,
        index_share=0.0,
        kinds=RECORDS,
        geometries=ONE_PAIR,
    ),
    spoiled(
        "unmarked-loss", unforeseen.unmarked_loss, (2e-4, 30e-3), both_signs=True, kinds=SAMPLES
    ),
    spoiled(
        "index-droop",
        unforeseen.index_droop,
        (0.001, 0.1, 0.001, 0.003),
        both_signs=True,
        kinds=ENVELOPE,
        index_share=1.0,
    ),
    spoiled("scratch-some-turns", bench.scratch, (0.005, 0.12), kinds=SAMPLES),
    spoiled("neighbour-track", bench.neighbour, (0.01, 0.4, 0.01, 0.1), geometries=ONE_PAIR),
    spoiled("sector-holes", bench.hard_sectored, (9.5, 32.5), index_share=1.0),
    spoiled(
        "lobe-at-index",
        bench.lobe_at_index,
        (1e-4, 0.03, 1e-4, 0.03),
        both_signs=True,
        geometries=ONE_PAIR,
        index_share=1.0,
    ),
    spoiled("buffer-twice", bench.stutters, (0.001, 0.05), kinds=SAMPLES),
    NearRate("near-a-fraction", "a carrier near a fraction of the rate", Frame()),
    NearRate(
        "narrow-near-a-fraction",
        "the same, narrow lobes at 0 to 12 dB",
        Frame(pattern=_narrow, snr_db=(0.0, 12.0), noisy_share=0.0),
    ),
)
"""Each of one spoiler of :mod:`~tests.hunt.unforeseen`."""
