"""An input and its probe by a signal generator that a hand sets, against the circuit's own law."""

from dataclasses import replace

import numpy as np
import pytest

from app.live.generator_check import check_by_generator
from app.live.loop_check import LoopFault
from app.live.proving import proof_of
from instruments.options import Toleranced
from instruments.proof import InputIdentity
from instruments.source import Role
from tests.app.live.test_proving import reading_behind
from tests.virtualprobe.card import VirtualCard
from tests.virtualprobe.circuit import Parts
from tests.virtualprobe.draws import detected, truth_of

RATE_HZ = 16_000
HIGHEST_PP_V = 3.0
CARRIER_HZ = 125e3
# At the drive's carrier diodes keep more for themselves than at a card's.
PARTS = Parts(gains=(0.6,), saturation_a=5e-8, hum=5e-4, offset=0.003)


class Bench(VirtualCard):
    """A card's input behind a probe, and the hand that sets a generator at its tips."""

    def __init__(self, parts=PARTS, roles=(Role.ENVELOPE,), scale=lambda volts: volts):
        super().__init__(parts, RATE_HZ, roles)
        self._parts = parts
        self.skips_circuit = True
        self._scale = scale
        self._sound = np.zeros(0, np.float32)
        self.levels_pp = []
        self.told = []
        self.keys = (0.0, 1.2, 1.8, 2.5, 3.1, 3.8, 4.5)
        """Seconds after it is asked at which the output is switched, off first."""

    def set_level(self, volts_pp):
        self.levels_pp.append(volts_pp)
        return Toleranced(volts_pp, 0.003)

    def tell(self, line):
        """Switch when told to, as a hand does, some tenths of a second later."""
        self.told.append(line)
        if not line.startswith("switch it on and off now"):
            return
        rate_hz = round(self.rate_hz)
        times_s = np.arange(9 * rate_hz) / rate_hz
        on = np.searchsorted(self.keys, times_s) % 2 == 0
        on[times_s < self.keys[1]] = on[times_s > self.keys[-1]] = False
        amplitude_v = self._scale(0.5 * self.levels_pp[-1]) * on
        limit = self._parts.limit or 1.0
        sound = self._parts.polarity * detected(self._parts, amplitude_v, rate_hz)
        self._sound = sound.clip(-limit, limit)

    def read(self, timeout_s):
        block = super().read(timeout_s)
        now, self._sound = np.split(self._sound, [len(block.samples_v)])
        block.samples_v[: len(now), 0] += now
        clipped = block.clipped or bool(np.any(np.abs(block.samples_v) >= 0.9999))
        return replace(block, clipped=clipped)


def checked(bench, highest_pp_v=HIGHEST_PP_V):
    return check_by_generator(bench, CARRIER_HZ, highest_pp_v, bench, bench.tell)


def proof_by(bench):
    found = checked(bench)
    identity = InputIdentity("Bench", RATE_HZ, "envelope,index", 0.0)
    return proof_of(identity, found.quiet, found, "", "2031-05-04")


def test_law_corner_and_volts_are_found_at_the_drive_s_carrier():
    bench = Bench()
    found = checked(bench)
    law, truth = found.detector, truth_of(replace(PARTS, drive_v=1.0), 0.5 * HIGHEST_PP_V)
    assert (found.hz, found.level) == (CARRIER_HZ, pytest.approx(0.5 * HIGHEST_PP_V))
    assert law.corner_hz == pytest.approx(truth.corner_hz, rel=0.01)
    assert abs(law.threshold_v - truth.threshold_v) < 2 * law.threshold_u_v
    assert law.threshold_v == pytest.approx(truth.threshold_v, abs=0.005 * truth.top_v)
    levels_v = np.linspace(0.15, 0.5, 30) * HIGHEST_PP_V
    into = np.interp(PARTS.gains[0] * PARTS.static_v(levels_v), law.out_v, law.in_v)
    ratios = into / into[-1]
    assert ratios == pytest.approx(levels_v / levels_v[-1], abs=0.005)
    proof = proof_of(
        InputIdentity("B", RATE_HZ, "envelope", 0.0), found.quiet, found, "", "2031-05-04"
    )
    slope = np.polyfit(levels_v[-10:], PARTS.gains[0] * PARTS.static_v(levels_v[-10:]), 1)[0]
    assert proof.full_scale_v == pytest.approx(1 / slope, rel=0.005)
    assert proof.full_scale_part == 0.003
    assert proof.output == ""


def test_the_levels_begin_near_nothing_and_rise_to_what_was_allowed():
    """Also behind a detector on its head."""
    bench = Bench(replace(PARTS, polarity=-1))
    assert checked(bench).detector.polarity == -1
    percents = [float(line.split()[0]) for line in bench.told if line.endswith("full scale")]
    assert 0.0 < percents[0] < percents[-1]
    assert bench.levels_pp[0] < 0.1 * HIGHEST_PP_V
    assert bench.levels_pp == sorted(bench.levels_pp)
    assert bench.levels_pp[-1] == HIGHEST_PP_V


def test_a_reading_behind_it_is_no_longer_beyond_what_was_proved():
    parts = replace(PARTS, drive_v=0.5 * HIGHEST_PP_V)
    proof = proof_by(Bench(parts))
    reading, true_ratio = reading_behind(parts, RATE_HZ, proof, 14.0)
    assert reading.valid, reading.reasons
    assert abs(reading.ratio.value - true_ratio) <= 2 * reading.ratio.u
    assert "taken as the same" not in " ".join(map(str, reading.notes))
    # The same law, proved at what a card can play, keeps the u that is stated beyond.
    low = replace(proof, detector=replace(proof.detector, proved_hz=17e3))
    wide, _ = reading_behind(parts, RATE_HZ, low, 14.0)
    assert reading.ratio.u < 0.7 * wide.ratio.u


def test_where_the_input_cuts_is_found_and_not_gone_into():
    parts = replace(PARTS, limit=0.5)
    found = checked(Bench(parts), 6.0)
    assert found.limit_v == pytest.approx(0.5, rel=0.03)
    assert found.detector.out_v[-1] < 0.5


def test_where_the_converter_clips_it_ends():
    bench = Bench(replace(PARTS, gains=(1.2,)))
    found = checked(bench, 6.0)
    assert bench.levels_pp[-1] < 6.0
    assert bench.told[-1] == "the input clips here; the levels below it are taken"
    assert found.detector.out_v[-1] < 1.0


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda bench: setattr(bench, "_scale", lambda volts: 0.0), "nothing came back"),
        (lambda bench: setattr(bench, "keys", (0.0, 1.2, 9.0)), "nothing came back"),
        (
            lambda bench: setattr(
                bench, "set_level", lambda volts: bench.levels_pp.append(volts) or Toleranced(1.0)
            ),
            "do not rise",
        ),
        (
            lambda bench: setattr(bench, "broken_in", lambda t: 0.05 * np.sin(2 * np.pi * 3e3 * t)),
            "switch the generator's output off",
        ),
        (lambda bench: setattr(bench, "_scale", lambda v: v * (v < 0.4)), "cleanly"),
        (lambda bench: setattr(bench, "_scale", lambda v: v * (v > 1.3)), "are needed; choose"),
    ],
    ids=["no cable", "left on", "levels that do not rise", "not quiet", "stops", "few levels"],
)
def test_what_goes_wrong_is_one_sentence(change, said):
    bench = Bench()
    change(bench)
    with pytest.raises(LoopFault, match=said):
        checked(bench)


def test_switched_on_and_off_as_often_as_is_asked_for_is_enough():
    bench = Bench()
    bench.keys = bench.keys[:5]
    assert checked(bench).detector.polarity == 1
    assert "2 times or more" in bench.told[0]


def test_without_a_detector_it_is_refused():
    with pytest.raises(LoopFault, match="name the column envelope"):
        checked(Bench(roles=(Role.DIFFERENTIAL,)))
