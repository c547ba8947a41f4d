"""The practice bench: a virtual drive with one fault that is hidden, drawn from its seed.

What is drawn depends on kind and seed alone, so a drive can be come back to by its address. Only
the hands know the truth (:attr:`instruments.source.PracticeControls.hidden`); no sample and no
:class:`instruments.source.SourceInfo` tells it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from instruments.virtual.params import DRAWN, NO_PRACTICE, PRACTICES, VirtualParams

_STREAM = 7_021
"""Beside the seed, so that what is drawn here has nothing to do with what else is drawn of it."""


def _misaligned(params: VirtualParams, rng: np.random.Generator) -> VirtualParams:
    return replace(params, offset_um=_side(rng) * rng.uniform(55.0, 110.0))


def _loose_clamp(params: VirtualParams, rng: np.random.Generator) -> VirtualParams:
    return replace(params, clamp_um=rng.uniform(35.0, 60.0), oval_um=rng.uniform(6.0, 10.0))


def _sticky_positioner(params: VirtualParams, rng: np.random.Generator) -> VirtualParams:
    return replace(params, backlash_um=rng.uniform(28.0, 50.0))


def _wrong_wiring(params: VirtualParams, rng: np.random.Generator) -> VirtualParams:
    # One phase hangs half in the air, and the index's lead is off: hum, and no side.
    mismatch = _side(rng) * rng.uniform(35.0, 50.0)
    return replace(params, index_v=0.0, mismatch_percent=mismatch, hum_v=rng.uniform(0.1, 0.2))


def _worn_disk(params: VirtualParams, rng: np.random.Generator) -> VirtualParams:
    return replace(
        params,
        amplitude_v=rng.uniform(0.1, 0.16),
        snr_db=rng.uniform(10.0, 16.0),
        drop_outs=int(rng.integers(4, 12)),
        radial_modulation_percent=rng.uniform(4.0, 8.0),
    )


def _wrong_disk(params: VirtualParams, rng: np.random.Generator) -> VirtualParams:
    return replace(params, recording="track", track_um=rng.uniform(150.0, 320.0))


def _two_heads(params: VirtualParams, rng: np.random.Generator) -> VirtualParams:
    return replace(params, side_um=_side(rng) * rng.uniform(55.0, 90.0))


FAULTS: Mapping[str, Callable[[VirtualParams, np.random.Generator], VirtualParams]] = dict(
    zip(
        PRACTICES,
        (
            _misaligned,
            _loose_clamp,
            _sticky_positioner,
            _wrong_wiring,
            _worn_disk,
            _wrong_disk,
            _two_heads,
        ),
        strict=True,
    )
)
"""What each kind of fault does to a drive."""


def afflicted(params: VirtualParams) -> tuple[str, VirtualParams]:
    """Return the kind of fault and the drive that has it; an empty kind where none is asked for."""
    if params.practice == NO_PRACTICE:
        return "", params
    rng = np.random.default_rng([_STREAM, params.seed])
    drawn = str(rng.choice(PRACTICES))
    kind = drawn if params.practice == DRAWN else params.practice
    # Nothing else of it is as it always is either: a fault is not told by what stands out.
    usual = replace(
        params,
        offset_um=_side(rng) * rng.uniform(8.0, 30.0),
        backlash_um=rng.uniform(3.0, 9.0),
        clamp_um=rng.uniform(4.0, 10.0),
        side_um=rng.uniform(-8.0, 8.0),
        speed_rpm=rng.uniform(298.8, 301.2),
        creep_um=rng.uniform(-8.0, 8.0),
    )
    return kind, FAULTS[kind](usual, rng)


def _side(rng: np.random.Generator) -> float:
    return -1.0 if rng.random() < 0.5 else 1.0
