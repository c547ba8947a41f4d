"""An input and its probe measured by the output, against circuits that know nothing of how."""

from dataclasses import replace
from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest

from app.analysis.frontend.bend import Rise, limit_of_outputs
from app.live.loop_check import (
    STEADY_S,
    LoopFault,
    _Answer,
    _LoopCheck,
    check_loop,
    play_steady,
)
from instruments.source import Role
from tests.virtualprobe.card import VirtualCard
from tests.virtualprobe.circuit import Parts
from tests.virtualprobe.table import row

RATE_HZ = 16_000
"""Few samples, so that the circuit is soon stepped through."""
DETECTOR = Parts(gains=(0.6,), hum=5e-4, offset=0.003)
STRAIGHT = Parts(kind="none", gains=(0.4, 0.396), outputs_to=((1.0, 0.0), (1.0, 0.0)))
PHASES = (Role.PLUS, Role.MINUS)


def card_with(parts, roles=(Role.ENVELOPE,)):
    return VirtualCard(parts, RATE_HZ, roles)


def checked(card, **how):
    return check_loop(card, card, 125e3, print, **{"quick": True, **how})


@pytest.mark.parametrize("seed", [0, 1, 2])
@pytest.mark.few(1)
def test_corner_threshold_and_knee_are_found(seed):
    """A slice of python -m tests.virtualprobe, in whose table the clock stands too."""
    found = row(seed, clock_s=0.0)
    assert abs(found.corner) < 0.02
    assert abs(found.corner) < 2 * found.corner_u
    assert abs(found.threshold) < 0.01
    assert abs(found.threshold) < 2 * found.threshold_u
    assert abs(found.knee) < 0.01
    assert found.law < 0.002
    assert abs(found.match) < 0.001
    assert abs(found.ratio) < 0.003
    assert abs(found.pull) < 1.0


def test_the_levels_rise_from_nothing_and_are_told():
    told = []
    card = card_with(DETECTOR)
    found = check_loop(card, card, 125e3, told.append)
    percents = [float(line.split()[1]) for line in told[:-1]]
    assert percents[0] < 0.3
    assert all(after <= 2.1 * before for before, after in pairwise(percents))
    assert card.loudest == pytest.approx(percents[-1] / 100.0, rel=0.01)
    assert found.level <= percents[-1] / 100.0
    assert card.silenced


class InVolts(VirtualCard):
    """A card with so many volts at full scale; it notes how much of that it has given at most."""

    def __init__(self, full_scale_v, *given):
        super().__init__(*given)
        self._info = replace(self.info, full_scale_v=full_scale_v)
        self.highest = 0.0

    def read(self, timeout_s):
        block = super().read(timeout_s)
        self.highest = max(self.highest, float(np.abs(block.samples_v).max()))
        return replace(block, samples_v=self.info.full_scale_v * block.samples_v)


def test_the_same_is_played_whatever_a_source_calls_a_volt():
    levels = []
    for full_scale_v in (0.2, 5.0):
        card, told = InVolts(full_scale_v, DETECTOR, RATE_HZ), []
        check_loop(card, card, 125e3, told.append, quick=True)
        levels.append(told)
    assert levels[0] == levels[1]


def test_what_the_louder_column_has_is_enough():
    """The level doubles: that column has no more than twice of what is enough."""
    card = InVolts(1.0, replace(STRAIGHT, gains=(0.8, 0.3)), RATE_HZ, PHASES)
    assert checked(card).linear.match == pytest.approx(0.375, abs=0.001)
    assert card.highest < 0.65


@pytest.mark.parametrize("limit", [0.7, 0.2])
@pytest.mark.parametrize(
    ("parts", "roles"),
    [
        (
            Parts(gains=(0.6,), drive_v=3.0, polarity=-1, input_corner_hz=0.0),
            (Role.ENVELOPE,),
        ),
        (replace(STRAIGHT, gains=(0.8, 0.79)), PHASES),
    ],
    ids=["detector on its head", "phases"],
)
@pytest.mark.few(1)
def test_where_the_input_s_own_stage_cuts_is_found(parts, roles, limit):
    found = check_loop_of(replace(parts, limit=limit), roles)
    assert found.limit_v == pytest.approx(limit, rel=0.02)
    assert found.straight_v == found.limit_v
    # What was measured lies below, and is as without a limit.
    if found.detector is not None:
        free = check_loop_of(parts, roles, at_most=found.level).detector
        assert found.detector.out_v[-1] < 0.95 * limit
        assert found.detector.threshold_v == pytest.approx(free.threshold_v, rel=0.01)
    else:
        assert found.linear.match == pytest.approx(0.9875, abs=0.001)


@pytest.mark.slow
def test_an_input_that_the_converter_alone_limits_is_straight_to_there():
    found = check_loop_of(Parts(gains=(0.6,), drive_v=3.0), (Role.ENVELOPE,))
    assert (found.limit_v, found.straight_v) == (0.0, 1.0)


def test_a_logarithm_is_not_taken_for_a_limit():
    found = [Rise(level, np.log1p(40.0 * level), 0.0) for level in 2.0 ** np.arange(-8.0, 0.1)]
    assert limit_of_outputs(found) is None


def check_loop_of(parts, roles, **how):
    card = card_with(parts, roles)
    return check_loop(card, card, 125e3, print, **how)


def test_no_more_is_played_than_was_allowed():
    card = card_with(Parts(gains=(0.6,), drive_v=6.0, dead_v=0.05))
    checked(card, at_most=0.1)
    assert card.loudest <= 0.1


@pytest.mark.slow
def test_a_quick_check_agrees_with_the_long_one():
    long, quick = (checked(card_with(DETECTOR), quick=each) for each in (False, True))
    assert quick.detector.corner_hz == pytest.approx(long.detector.corner_hz, rel=0.005)
    assert quick.detector.threshold_v == pytest.approx(long.detector.threshold_v, rel=0.02)


def test_a_detector_on_its_head_is_told():
    found = checked(card_with(Parts(gains=(0.6,), polarity=-1)))
    assert found.detector.polarity == -1
    assert found.detector.threshold_v > 0.0


@pytest.mark.parametrize("polarity", [1, -1])
def test_a_dc_coupled_input_has_no_corner(polarity):
    """On its head it only ever falls."""
    found = checked(card_with(Parts(gains=(0.6,), input_corner_hz=0.0, polarity=polarity)))
    assert found.detector.corner_hz == 0.0
    assert found.detector.polarity == polarity


def test_phases_fed_by_one_output_tell_their_own_match():
    found = checked(card_with(STRAIGHT, PHASES)).linear
    assert found.shared
    assert found.match == pytest.approx(0.99, abs=0.001)
    assert abs(found.match - 0.99) < 2 * found.match_u + 1e-5
    assert found.crosstalk_db is None
    # (1 + 0.99)/2 over what is left of the difference, 0.01.
    assert found.rejection_db == pytest.approx(20 * np.log10(0.995 / 0.01), abs=0.1)


def test_phases_fed_by_two_outputs_tell_crosstalk_and_the_product_of_gains():
    parts = Parts(
        kind="none", gains=(0.4, 0.38), crosstalk=1e-3, outputs_to=((1.0, 0.0), (0.0, 1.0))
    )
    found = checked(card_with(parts, PHASES)).linear
    assert not found.shared
    assert found.match == pytest.approx(0.95, abs=0.001)
    assert found.crosstalk_db == pytest.approx(-60.0, abs=1.0)


def test_a_path_without_a_detector_tells_the_product_of_both_couplings():
    parts = Parts(kind="none", gains=(0.4,), output_corner_hz=12.0, input_corner_hz=5.0)
    found = checked(card_with(parts, (Role.DIFFERENTIAL,))).linear
    low = dict(found.band)[15.0]
    # Two first-order high-passes one behind the other.
    assert low == pytest.approx(np.prod([1 / np.hypot(1, f / 15.0) for f in (12.0, 5.0)]), rel=0.01)
    assert found.match is None
    # Noise of 2e-5 beside a sixteen-bit converter's steps, both of full scale: 14.7 bits.
    left = np.hypot(2e-5, 2.0**-15 / np.sqrt(12))
    assert found.bits == pytest.approx(np.log2(2 / np.sqrt(12) / left), abs=0.2)


def lost_cable(card, noise):
    card._circuit.through = lambda played: noise_only(card, len(played), noise)


def noise_only(card, frames, noise):
    rng = np.random.default_rng(card._at)
    return (noise * rng.standard_normal((frames, len(card.info.roles)))).astype(np.float32)


@pytest.mark.parametrize("noise", [2e-5, 0.0])
def test_nothing_that_comes_back_is_said(noise):
    card = card_with(DETECTOR)
    lost_cable(card, noise)
    with pytest.raises(LoopFault, match=r"nothing came back up to 100 %.*cable.*muted"):
        checked(card)
    assert card.silenced


def test_a_tone_where_an_envelope_was_named_is_said():
    with pytest.raises(LoopFault, match="the tone itself comes back"):
        checked(card_with(Parts(kind="none", gains=(0.4,))))


def test_an_envelope_where_a_tone_was_named_is_said():
    with pytest.raises(LoopFault, match="there is a detector in the path"):
        checked(card_with(DETECTOR, (Role.DIFFERENTIAL,)))


def test_the_wrong_column_is_said():
    parts = Parts(gains=(0.0, 0.6), outputs_to=((1.0,), (1.0,)))
    with pytest.raises(LoopFault, match="came back on the column named index"):
        checked(card_with(parts, (Role.ENVELOPE, Role.INDEX)))


def test_a_level_that_clips_from_the_first_is_said():
    with pytest.raises(LoopFault, match=r"clips at .* turn its gain"):
        checked(card_with(Parts(kind="precise", dead_v=0.0, gains=(4000.0,), noise=1e-3)))


def test_a_signal_before_anything_is_played_is_said():
    card = card_with(DETECTOR)
    card.broken_in = lambda times_s: 0.05 * np.sin(2 * np.pi * 3000.0 * times_s)
    with pytest.raises(LoopFault, match="a signal is there before"):
        checked(card)
    assert card.loudest == 0.0


def test_another_sound_while_it_is_measured_is_said():
    card = card_with(DETECTOR)
    began_s = 2.5
    card.broken_in = lambda times_s: np.where(
        times_s > began_s, 0.01 * np.sin(2 * np.pi * 3000.0 * times_s), 0.0
    )
    with pytest.raises(LoopFault, match=r"another sound|not what was played"):
        checked(card)
    assert card.silenced


@pytest.mark.parametrize("said", ["clipped while it was measured", "frames were lost"])
def test_what_is_spoiled_while_it_is_measured_is_said(said):
    card = card_with(DETECTOR)
    whole, from_s = card.read, []

    def read(timeout_s):
        if from_s and card.now_s > from_s[0]:
            from_s[0] = np.inf
            if "frames" in said:
                card._at += 100
            else:
                card.broken_in = lambda times_s: np.full(len(times_s), 2.0)
        return whole(timeout_s)

    def tell(line):
        if line.startswith("plays tones"):
            from_s.append(card.now_s + 1.0)

    card.read = read
    with pytest.raises(LoopFault, match=said):
        check_loop(card, card, 125e3, tell, quick=True)
    assert card.silenced


@pytest.mark.parametrize("polarity", [1, -1])
def test_a_detector_s_rise_is_that_of_its_low_pass(polarity):
    """From a tenth to nine tenths of a first-order step: ln 9 time constants."""
    parts = Parts(gains=(0.6,), smoothing_hz=200.0, input_corner_hz=0.0, polarity=polarity)
    found = checked(card_with(parts)).detector
    assert found.rise_s == pytest.approx(np.log(9.0) / (2 * np.pi * 200.0), abs=2.5e-4)


@pytest.mark.slow
def test_what_is_not_the_same_twice_is_no_calibration():
    card = card_with(DETECTOR)
    # Every second the cable's contact changes by some per cent.
    steady = card._circuit.through
    card._circuit.through = lambda played: steady(played * (1.0 + 0.1 * (int(card.now_s) % 2)))
    with pytest.raises(LoopFault, match="not the same twice"):
        checked(card)
    assert card.silenced


def test_a_source_that_dies_leaves_the_output_silent():
    card = card_with(DETECTOR)
    whole = card.read

    def dies(timeout_s):
        if card.now_s > 4.0:
            raise LoopFault("gone")
        return whole(timeout_s)

    card.read = dies
    with pytest.raises(LoopFault, match="gone"):
        checked(card)
    assert card.silenced


@pytest.mark.parametrize(
    ("tones", "moves", "said"),
    [
        ((0.0, 0.0), (0.0, 0.0), "nothing came back up to 50 % of full scale"),
        ((0.1, 0.0), (0.1, 0.0), "nothing came back up to 50 % of full scale"),
        ((0.0, 0.1), (0.0, 0.0), "came back on the column named index"),
        ((0.0, 0.0), (0.0, 0.1), "came back on the column named index"),
    ],
)
def test_what_came_back_on_another_column_is_told_from_nothing(tones, moves, said):
    quiet = _Answer(np.full(2, 0.01), np.full(2, 0.01), np.zeros(2), clipped=False)
    heard = _Answer(np.array(moves), np.array(tones), np.zeros(2), clipped=False)
    about = SimpleNamespace(
        _floor=quiet,
        _columns=[0],
        _roles=("envelope", "index"),
        _player=SimpleNamespace(name="out"),
    )
    assert said in _LoopCheck._why_nothing(about, 0.5, heard)


@pytest.mark.parametrize("rate_hz", [8000.0, 7999.7, 8000.3])
def test_a_steady_tone_goes_on_from_second_to_second(rate_hz):
    played = []
    play_steady(SimpleNamespace(outputs=2, play=played.append), rate_hz, 440.2, 0.25)
    assert len(played) == STEADY_S
    assert np.array_equal(played[0], played[-1])
    heights = np.abs(np.fft.rfft(played[0], axis=0)) / 4000
    assert heights.shape == (4001, 2)
    assert heights[440] == pytest.approx(0.25, rel=1e-5)
    assert np.delete(heights, 440, axis=0).max() < 1e-6
