"""The balance inside a lobe: how soon it follows the head, how quiet it is, and what it is not for.

The times and the noise allowed are those asked for, by the time of the samples in blocks of 10 ms.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from app.analysis.lobes.analyser import Analyser
from app.analysis.lobes.moving import _newest_that_agree
from app.analysis.results import Sign
from tests.app.analysis.running import BARE, BRISK, RAW, block_of, live, setup_for
from tests.synthesis import Signal, make

RATE_HZ = BRISK["rate_hz"]
FRAMES = round(0.01 * RATE_HZ)
BEFORE, AFTER = 0.20, 0.06
STEP_S = 1.6
"""At a turn's beginning: the lobes' tops are at a quarter and three quarters of it."""


def shown(made, names=RAW):
    """Yield the time, the needle's place and the settled balance, from a second on."""
    samples = made.columns(*names)
    analyser = Analyser(setup_for(names, RATE_HZ))
    for start in range(0, round(RATE_HZ), 5 * FRAMES):
        analyser.push(block_of(samples[start : start + 5 * FRAMES], start))
    for start in range(round(RATE_HZ), len(samples) - FRAMES + 1, FRAMES):
        analyser.push(block_of(samples[start : start + FRAMES], start))
        if start > RATE_HZ and analyser.reading.valid:
            settled = analyser.reading.balance
            yield (start + FRAMES) / RATE_HZ, analyser.moving or settled, settled


def stepped(place, geometry, after=AFTER, names=RAW, **more):
    at_s = STEP_S + 0.2 * place
    ratio = (1.0 - BEFORE) / (1.0 + BEFORE)
    steps = ((at_s, after),)
    about = {"snr_db": 25, "turns": 10.5, "start_turns": 0.0, **more}
    signal = Signal(**BRISK, geometry=geometry, ratio=ratio, balance_at=steps, **about)
    return at_s, list(shown(make(signal), names))


@pytest.mark.parametrize(
    ("place", "allowed_s"), [(0.17, 0.04), (0.25, 0.04), (0.33, 0.04), (0.8, 0.04), (0.5, 0.11)]
)
@pytest.mark.parametrize("geometry", ["two-band", "boundary"])
@pytest.mark.few(2)
def test_the_needle_follows_a_step_inside_the_lobe(geometry, place, allowed_s):
    at_s, found = stepped(place, geometry)
    wanted = BEFORE + 0.9 * (AFTER - BEFORE)
    reached_s = next(time_s for time_s, now, _ in found if time_s > at_s and now.value <= wanted)
    assert reached_s - at_s <= allowed_s
    before = [now.value for time_s, now, _ in found if time_s < at_s]
    assert before == pytest.approx([BEFORE] * len(before), abs=0.012)
    rest = [now.value for time_s, now, _ in found if time_s > at_s + 0.25]
    assert rest == pytest.approx([AFTER] * len(rest), abs=0.012)


@pytest.mark.few(1)
@pytest.mark.parametrize("place", [0.2, 0.25, 0.3])
def test_a_drop_out_in_a_lobe_is_no_step_of_the_head(place):
    ratio = (1.0 - BEFORE) / (1.0 + BEFORE)
    signal = Signal(**BRISK, geometry="two-band", ratio=ratio, snr_db=25, turns=10.5, start_turns=0)
    samples = make(signal).columns(*RAW)
    start = round((STEP_S + 0.2 * place) * RATE_HZ)
    samples[start : start + round(0.006 * RATE_HZ), :2] *= 0.02
    found = [now.value for _, now, _ in shown(SimpleNamespace(columns=lambda *_: samples))]
    assert found == pytest.approx([BEFORE] * len(found), abs=0.012)


@pytest.mark.parametrize("geometry", ["two-band", "boundary"])
@pytest.mark.few(1)
def test_what_has_settled_takes_no_notice_of_the_lobe_under_way(geometry):
    at_s, found = stepped(0.2, geometry)
    first = next((now, settled) for time_s, now, settled in found if time_s > at_s + 0.025)
    assert first[0].value == pytest.approx(AFTER, abs=0.02)
    assert first[1].value == pytest.approx(BEFORE, abs=0.01)


@pytest.mark.parametrize("geometry", ["two-band", "boundary"])
@pytest.mark.parametrize("snr_db", [15, 25])
@pytest.mark.slow
def test_the_needle_is_hardly_less_quiet_than_once_a_lobe(geometry, snr_db):
    made = make(Signal(**BRISK, geometry=geometry, snr_db=snr_db, turns=20.0, seed=3))
    errors = np.array(
        [
            (now.value - made.balance, settled.value - made.balance)
            for _, now, settled in shown(made)
        ]
    )
    now, settled = np.sqrt(np.mean(errors**2, axis=0))
    assert now <= 1.5 * settled


def test_without_an_index_the_needle_waits_for_the_lobe():
    _, found = stepped(0.25, "two-band", names=BARE)
    assert all(now == settled for _, now, settled in found)


@pytest.mark.parametrize("gain", [0.5, 1.4])
@pytest.mark.parametrize("at_s", [1.6, 1.64, 1.65])
@pytest.mark.parametrize("geometry", ["two-band", "boundary"])
@pytest.mark.few(1)
def test_a_step_of_the_gain_stands_as_offset_no_longer_than_the_next_lobe(geometry, at_s, gain):
    made = make(Signal(**BRISK, geometry=geometry, snr_db=30, turns=12.5, start_turns=0.0))
    samples = made.columns(*RAW)
    samples[round(at_s * RATE_HZ) :, :2] *= gain
    found = [each for each in live(samples, RATE_HZ, from_s=1.0) if each[0] > 1.0]
    # From the step: what is left of its lobe, the next, and what a lobe waits for its end.
    wrong_s = [
        time_s
        for time_s, reading in found
        if reading.valid and abs(reading.balance.value - made.balance) > 0.01
    ]
    assert all(at_s <= time_s <= at_s + 0.24 for time_s in wrong_s)
    assert found[-1][1].valid
    assert found[-1][1].sign is Sign.KNOWN


def test_the_newest_values_are_averaged_as_far_back_as_they_agree():
    values = np.concatenate([np.full(20, 0.1), np.full(100, 0.3)])
    found = _newest_that_agree(values, np.full(120, 0.005))
    assert found.value == pytest.approx(0.1, abs=1e-9)
    alike = _newest_that_agree(np.full(120, 0.3), np.full(120, 0.05))
    assert alike.value == pytest.approx(0.3)
    # The u of a median, sqrt(pi/2) that of a mean (from memory), and what a shape is good to.
    u_median = np.sqrt(np.pi / 2.0) * 0.05 / np.sqrt(120)
    assert alike.u == pytest.approx(np.hypot(u_median, 0.004))
    assert _newest_that_agree(np.full(7, 0.3), np.full(7, 0.05)) is None
    assert _newest_that_agree(np.full(8, 0.3), np.full(8, 0.05)) is not None


def test_drop_outs_do_not_move_the_needle():
    made = make(Signal(**BRISK, snr_db=30, turns=14.0, drops=3, seed=4))
    needle = [now.value for _, now, _ in shown(made)]
    assert len(needle) > 150
    assert needle == pytest.approx([made.balance] * len(needle), abs=0.012)
