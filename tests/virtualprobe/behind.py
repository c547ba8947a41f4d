"""A reading behind a probe that was checked: the drive's envelope through the same circuit."""

from __future__ import annotations

import numpy as np

from app.live.loop_check import check_loop
from app.live.measurement import EnvelopeOptions, measure
from app.live.proving import proof_of
from app.profiles import load_profile
from instruments.proof import InputIdentity
from instruments.source import Block, Role, Source, SourceEnd, SourceInfo
from instruments.virtual import VirtualParams, simulate
from tests.virtualprobe.draws import detected

CARRIER_HZ = 125e3
_ROLES = (Role.ENVELOPE, Role.INDEX)


class Played(Source):
    """An array as a source, with what is kept of its input."""

    def __init__(self, samples_v, rate_hz, proof):
        self._samples_v = samples_v
        law = None if proof is None else proof.detector
        self._info = SourceInfo(
            name="played",
            roles=_ROLES,
            roles_from="given",
            sample_rate_hz=float(rate_hz),
            bandwidth_hz=0.45 * rate_hz,
            length_frames=len(samples_v),
            low_corner_hz=None if law is None else law.corner_hz,
            low_corner_part=0.2 if law is None else law.corner_part,
            proof=proof,
        )

    def open(self):
        self._left = [self._samples_v]

    def close(self):
        pass

    def read(self, timeout_s):
        if not self._left:
            raise SourceEnd("done")
        return Block(self._left.pop(), self._info.sample_rate_hz, 0, 0.0, uncalibrated=True)


def kept_of(found, rate_hz):
    """Return what is kept of a check that was made."""
    identity = InputIdentity("Bench", round(rate_hz), "envelope,index", 0.0)
    return proof_of(identity, found.quiet, found, "Bench", "2031-05-04")


def proof_by(card, quick=False):
    """Check a card; return what is kept of it."""
    return kept_of(check_loop(card, card, CARRIER_HZ, print, quick=quick), card.rate_hz)


def source_behind(parts, rate_hz, proof, offset_um):
    """The virtual drive's amplitude through the circuit that was checked, and its true ratio."""
    params = VirtualParams(offset_um=offset_um, snr_db=float("inf"), seed=3)
    amplitude_v, truth = simulate(params, _ROLES, rate_hz=rate_hz, seconds=3.0)
    # The top within what was proved.
    level = (proof and proof.level) or 1.0
    top_v = 0.9 * level * parts.drive_v * amplitude_v[:, 0] / amplitude_v[:, 0].max()
    heard = detected(parts, top_v, rate_hz)
    samples_v = np.column_stack([heard, amplitude_v[:, 1]]).astype(np.float32)
    low, high = sorted((truth.first_v, truth.second_v))
    return Played(np.ascontiguousarray(samples_v), rate_hz, proof), low / high


def reading_behind(parts, rate_hz, proof, offset_um):
    """Return the reading of such a source, and its true ratio."""
    source, true_ratio = source_behind(parts, rate_hz, proof, offset_um)
    measured = measure(source, load_profile("130mm-48tpi"), EnvelopeOptions(), None)
    return measured.reading, true_ratio
