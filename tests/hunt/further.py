"""Classes that were written after the analysis, by somebody who had not read it.

They stand apart from those of :mod:`~tests.hunt.classes`, under which the analysis grew, so that a
campaign tells what it makes of faults that nobody told it of. A class stays here for good.
"""

from __future__ import annotations

from tests.hunt import unforeseen
from tests.hunt.classes import spoiled
from tests.hunt.draws import (
    ENVELOPE,
    GROUPS,
    ONE_PAIR,
    PHASES,
    RAW,
    RECORDS,
    SAMPLES,
    HuntClass,
)

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
)
"""Each of one spoiler of :mod:`~tests.hunt.unforeseen`."""
