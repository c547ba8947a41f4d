"""A signal that was gone for a part of a capture, and came back: the rest alone is read."""

import numpy as np
import pytest

from app.analysis.envelope.series import Bins, EnvelopeSeries
from app.analysis.lobes.gone import gone_bins
from app.analysis.lobes.turns import Turn
from app.analysis.results import Sign
from tests.app.analysis.lobes.test_spoilers import RATE_HZ, bells, boundary, drawn, groups, read
from tests.app.analysis.running import analyse
from tests.synthesis import Signal, make

TURN_BINS = 400
TURNS = [Turn(TURN_BINS * n, TURN_BINS * (n + 1)) for n in range(5)]


def away(start_s, end_s):
    """The head leaves the track: noise alone is left."""
    return lambda time: np.where((time >= start_s) & (time < end_s), 0.0, 1.0)


def held(samples, start_s, end_s, value=None):
    """The signal stands at one value, what it was or what is given; the index goes on."""
    cut = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    samples[cut, 0] = samples[cut.start, 0] if value is None else value
    return samples


def is_right(reading, balance):
    assert reading.valid
    assert "left out" in " ".join(note.text for note in reading.notes)
    assert abs(reading.balance.value - balance) < max(4.0 * reading.balance.u, 5e-4)
    assert reading.balance.u < 5e-3
    assert reading.speed_rpm.value == pytest.approx(300.0, rel=5e-4)


@pytest.mark.parametrize(
    ("columns", "envelope"),
    [(2, bells(0.08)), (1, bells(0.08)), (2, boundary(0.08))],
    ids=["bells", "bells without an index", "boundary"],
)
@pytest.mark.parametrize(("start_s", "end_s"), [(0.45, 0.54), (0.61, 1.1)])
def test_turns_without_the_head_do_not_count(columns, envelope, start_s, end_s):
    samples = drawn(envelope, gain=away(start_s, end_s), turns=9.4, snr_db=20.0)
    is_right(read(samples[:, :columns]), 0.08)


@pytest.mark.parametrize("value", [None, 0.0], ids=["stuck", "muted"])
@pytest.mark.parametrize("made", [bells(0.08), groups(0.08, 4, 0.8)], ids=["bells", "groups"])
def test_nothing_is_read_from_a_channel_that_stands_still(value, made):
    for start_s, end_s in ((0.3, 0.36), (0.13, 1.2)):
        is_right(read(held(drawn(made, turns=9.4), start_s, end_s, value)), 0.08)


def test_an_index_that_rests_low_while_all_is_muted_is_no_pulse_by_which_others_go():
    made = make(Signal(rate_hz=RATE_HZ, carrier_hz=61e3, turns=9.4, snr_db=40))
    samples = made.columns("plus", "minus", "index")
    samples[:, 2] = 5.2 - samples[:, 2]
    samples[round(0.62 * RATE_HZ) : round(0.75 * RATE_HZ)] = 0.0
    reading = analyse(samples, RATE_HZ)
    assert reading.sign is Sign.KNOWN
    assert reading.revolutions >= 7
    assert abs(reading.balance.value - made.balance) < 4.0 * reading.balance.u


def test_few_codes_stand_still_and_are_not_gone():
    made = make(Signal(rate_hz=RATE_HZ, geometry="alternating", pairs=3, turns=6.4))
    samples = made.columns("envelope", "index")
    samples[:, 0] = np.round(samples[:, 0] / 0.05) * 0.05
    reading = analyse(samples, RATE_HZ, ("envelope", "index"))
    assert not any("left out" in note.text for note in reading.notes)


def series_of(power_v2, sigma_v):
    series = EnvelopeSeries(1)
    count = len(power_v2)
    there = np.ones(count, dtype=bool)
    series.append(Bins(0, power_v2, np.full(count, sigma_v), np.zeros(count), there))
    return series


def humps():
    return np.tile(np.cos(2.0 * np.pi * np.arange(TURN_BINS) / TURN_BINS) ** 2, len(TURNS))


def test_a_gap_of_the_recording_is_not_gone():
    power_v2 = humps()
    power_v2.reshape(5, -1)[:, 100:180] = 0.0
    assert not gone_bins(series_of(power_v2, 1e-3), TURNS).any()


def test_what_is_gone_is_found_and_no_drop_out():
    power_v2 = humps()
    power_v2[800:900] = 0.0
    power_v2[1390:1400] = 0.0
    gone = gone_bins(series_of(power_v2, 1e-3), TURNS)
    assert gone[806:884].all()
    assert not gone[:794].any()
    assert not gone[906:].any()


def test_where_noise_would_hide_a_signal_nothing_is_gone():
    power_v2 = humps()
    power_v2[800:1000] = 0.01 * np.random.default_rng(8).standard_normal(200)
    assert gone_bins(series_of(power_v2, 0.05), TURNS).any()
    assert not gone_bins(series_of(power_v2, 0.3), TURNS).any()


def test_what_stands_still_where_other_turns_move_is_gone_at_any_height():
    power_v2 = humps() + 1e-4 * np.random.default_rng(9).standard_normal(len(TURNS) * TURN_BINS)
    power_v2[800:900] = 0.5
    gone = gone_bins(series_of(power_v2, 1e-3), TURNS)
    assert gone[806:894].all()
    assert not gone[:794].any()
    assert not gone[906:].any()


def test_what_stands_still_for_most_of_the_turns_is_gone_too():
    """Where it stands is then what is usual there."""
    power_v2 = humps()
    power_v2[400:1600] = 0.3
    gone = gone_bins(series_of(power_v2, 1e-3), TURNS)
    assert gone[406:1594].all()
    assert not gone[:394].any()
    assert not gone[1606:].any()


def test_one_turn_counted_from_elsewhere_makes_the_others_not_gone():
    power_v2 = groups_of_two()
    power_v2[:TURN_BINS] = np.roll(power_v2[:TURN_BINS], 60)
    assert not gone_bins(series_of(power_v2, 1e-3), TURNS).reshape(5, -1)[1:].any()


def groups_of_two():
    return np.tile(np.repeat([1.0, 0.0, 0.9, 0.0], TURN_BINS // 4), len(TURNS))
