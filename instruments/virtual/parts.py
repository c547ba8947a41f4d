"""Parts of the virtual drive, as its parameters have them and chance decides the rest."""

from __future__ import annotations

from math import tau

import numpy as np

from instruments.virtual.amplifier import Amplifier, noise_for_snr_v
from instruments.virtual.disk import Disk, DropOuts
from instruments.virtual.params import VirtualParams
from instruments.virtual.recording import Alternating, Beat, Boundary, Recording, TwoBand
from instruments.virtual.spindle import Spindle, Wow

NOMINAL_RPM = 300.0
"""Speed to which carrier and index width are referred."""


def spindle_of(params: VirtualParams, rng: np.random.Generator) -> Spindle:
    """Return the spindle; chance decides where its slow changes and its turn begin."""
    wow_phase, drift_phase, start_turns = rng.random(3)
    wow = Wow(params.wow_percent / 100.0, params.wow_hz, tau * wow_phase)
    drift = Wow(params.drift_percent / 100.0, 1.0 / params.drift_period_s, tau * drift_phase)
    speed_rpm = params.speed_rpm + params.age_months * params.ageing_rpm
    return Spindle(speed_rpm, tuple(part for part in (wow, drift) if part.depth), start_turns)


def amplifier_of(params: VirtualParams, rng: np.random.Generator) -> Amplifier:
    """Return the read amplifier; chance decides the hum's phase."""
    return Amplifier(
        amplitude_v=params.amplitude_v,
        noise_v=noise_for_snr_v(params.amplitude_v, params.snr_db),
        hum_v=params.hum_v,
        hum_hz=params.hum_hz,
        hum_phase_rad=tau * rng.random(),
        mismatch=params.mismatch_percent / 100.0,
        dc_v=params.dc_v,
        third_harmonic=params.third_harmonic,
    )


def disk_of(params: VirtualParams, rng: np.random.Generator) -> Disk:
    """Return the alignment disk; chance decides where its drop-outs are."""
    places_turns = rng.random(params.drop_outs)
    drop_outs = DropOuts(
        places_turns=places_turns if params.drop_out_place == "fixed" else None,
        count=params.drop_outs,
        length_turns=params.drop_out_deg / 360.0,
        depth=params.drop_out_depth,
        seed=int(rng.integers(2**32)),
    )
    cycles = round(params.carrier_hz / (NOMINAL_RPM / 60.0))
    return Disk(_recording(params), cycles, drop_outs)


def _recording(params: VirtualParams) -> Recording:
    scale_um, head_um = params.scale_um, params.head_um
    pairs = params.pairs if params.recording == "alternating" else 1
    top_turns = params.first_lobe / (2 * pairs)
    match params.recording:
        case "two-band":
            return TwoBand(top_turns, scale_um, params.band_eccentricity * scale_um, head_um)
        case "boundary":
            return Boundary(top_turns, scale_um)
        case "alternating":
            return Alternating(top_turns, scale_um, pairs, head_um)
        case _:
            return Beat(top_turns, scale_um, head_um)
