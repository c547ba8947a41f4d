"""Flat tops at any level are told; steep, coarse, coherent and saturated index signals are not."""

from types import SimpleNamespace

import numpy as np
import pytest

from app.analysis import messages
from app.analysis.envelope.clipping import _bend, _Runs
from tests.app.analysis.running import RAW, analyse, measured
from tests.synthesis import Signal, make

PLACES = {"250k": (250e3, 61e3), "1M": (1e6, 125e3), "192k": (192e3, 67.2e3)}
EACH_PLACE = ["250k", pytest.param("1M", marks=pytest.mark.slow), "192k"]


def clipped_reading(place, part, *, snr_db, sides=(True, True), columns=(0, 1), noise_v=0.0):
    """Return the reading of a capture clipped at a part of each column's own peak."""
    rate_hz, carrier_hz = PLACES[place]
    made = make(Signal(rate_hz=rate_hz, carrier_hz=carrier_hz, snr_db=snr_db, turns=3.4))
    samples = made.columns(*RAW).astype(np.float64)
    for column in columns:
        limit = part * np.abs(samples[:, column]).max()
        low, high = (limit if side else np.inf for side in sides)
        samples[:, column] = np.clip(samples[:, column], -low, high)
    if noise_v:
        hiss = np.random.default_rng(1).standard_normal((len(samples), 2))
        samples[:, :2] += noise_v * hiss
    return analyse(samples, rate_hz), made


@pytest.mark.parametrize("place", EACH_PLACE)
@pytest.mark.parametrize("part", [0.9, 0.7, 0.5])
@pytest.mark.parametrize("snr_db", [None, 40.0])
def test_clipped_tops_give_no_reading(part, snr_db, place):
    reading, _ = clipped_reading(place, part, snr_db=snr_db)
    assert not reading.valid
    assert messages.CLIPPED in reading.reasons
    assert reading.ratio is None


@pytest.mark.parametrize("sides", [(True, False), (False, True)], ids=["below", "above"])
@pytest.mark.parametrize("part", [0.8, 0.5])
def test_one_side_is_enough(part, sides):
    reading, _ = clipped_reading("250k", part, snr_db=40.0, sides=sides)
    assert messages.CLIPPED in reading.reasons


@pytest.mark.parametrize("column", [0, 1])
def test_one_phase_is_enough(column):
    reading, _ = clipped_reading("250k", 0.7, snr_db=40.0, columns=(column,))
    assert messages.CLIPPED in reading.reasons


@pytest.mark.parametrize("noise_v", [0.001, 0.004, 0.01])
@pytest.mark.parametrize("part", [0.8, 0.5])
def test_flat_tops_are_told_with_noise_on_them(part, noise_v):
    reading, _ = clipped_reading("250k", part, snr_db=None, noise_v=noise_v)
    assert messages.CLIPPED in reading.reasons


@pytest.mark.parametrize("place", EACH_PLACE)
@pytest.mark.parametrize("part", [0.98, 0.95, 0.9, 0.7])
@pytest.mark.parametrize("snr_db", [20.0])
def test_clipping_that_is_not_told_does_no_harm(part, snr_db, place):
    reading, made = clipped_reading(place, part, snr_db=snr_db)
    if reading.valid:
        assert reading.ratio.value == pytest.approx(made.ratio, abs=0.005)


@pytest.mark.parametrize("bits", [None, 8])
@pytest.mark.parametrize("snr_db", [None, 25.0])
@pytest.mark.parametrize("geometry", ["two-band", "boundary", "squared", "alternating"])
@pytest.mark.parametrize("place", EACH_PLACE)
@pytest.mark.few(8)
def test_a_whole_signal_is_not_called_clipped(place, geometry, snr_db, bits):
    rate_hz, carrier_hz = PLACES[place]
    signal = Signal(
        rate_hz=rate_hz,
        carrier_hz=carrier_hz,
        geometry=geometry,
        snr_db=snr_db,
        bits=bits,
        turns=2.2,
        centre=0.29,
    )
    reading, _ = measured(signal)
    assert messages.CLIPPED not in reading.reasons


@pytest.mark.parametrize("rate_part", [0.1, 0.2, 0.25, 0.3333, 0.4, 0.449])
def test_a_carrier_that_divides_the_rate_is_not_called_clipped(rate_part):
    signal = Signal(rate_hz=400e3, carrier_hz=rate_part * 400e3, snr_db=60, turns=2.2)
    reading, made = measured(signal)
    assert reading.valid
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.002)


@pytest.mark.parametrize("more", [{"hum": 1.0}, {"offset_v": 0.5}, {"third": 0.1}])
def test_hum_offset_and_harmonics_are_not_called_clipped(more):
    for bits in (None, 8):
        signal = Signal(rate_hz=250e3, carrier_hz=61e3, snr_db=40, turns=2.2, bits=bits, **more)
        reading, _ = measured(signal)
        assert messages.CLIPPED not in reading.reasons


def test_clipping_on_hum_gives_no_reading():
    made = make(Signal(rate_hz=250e3, carrier_hz=61e3, snr_db=40, turns=3.4, hum=0.5))
    samples = made.columns(*RAW)
    samples[:, :2] = np.clip(samples[:, :2], -0.25, 0.25)
    reading = analyse(samples, 250e3)
    assert not reading.valid
    assert reading.ratio is None


def test_a_saturated_index_is_no_clipping():
    made = make(Signal(rate_hz=250e3, carrier_hz=61e3, snr_db=40, turns=3.4))
    samples = made.columns(*RAW)
    samples[:, 2] = np.clip(samples[:, 2], 0.0, 1.0)
    reading = analyse(samples, 250e3)
    assert reading.valid
    assert reading.balance.value == pytest.approx(made.balance, abs=0.002)


@pytest.mark.parametrize("ratio", [0.85, 0.5])
@pytest.mark.parametrize("snr_db", [-5.0, 0.0, 3.0, 6.0])
@pytest.mark.few(3)
def test_noise_is_not_called_clipped(snr_db, ratio):
    signal = Signal(rate_hz=1e6, carrier_hz=125e3, ratio=ratio, snr_db=snr_db, turns=6.4)
    reading, _ = measured(signal)
    assert messages.CLIPPED not in reading.reasons


@pytest.mark.parametrize("off_hz", [-40.0, -10.0, -3.0, 3.0, 4.9, 10.0, 40.0])
@pytest.mark.parametrize("part", [0.25, 1 / 3, pytest.param(0.2, marks=pytest.mark.slow)])
@pytest.mark.few(4)
def test_a_carrier_near_a_part_of_the_rate_is_not_called_clipped(part, off_hz):
    signal = Signal(rate_hz=250e3, carrier_hz=part * 250e3 + off_hz, snr_db=30, turns=3.4)
    for seed in range(3):
        reading, _ = measured(Signal(**{**vars(signal), "seed": seed}))
        assert messages.CLIPPED not in reading.reasons


@pytest.mark.parametrize("carrier_hz", [61e3, 62.55e3], ids=["many phases", "four phases"])
@pytest.mark.parametrize("part", [0.01, 0.03])
@pytest.mark.parametrize("ratio", [0.5, 0.8])
def test_a_bent_top_is_held_by_u(ratio, part, carrier_hz):
    made = make(Signal(rate_hz=250e3, carrier_hz=carrier_hz, turns=4.4, ratio=ratio))
    samples = made.columns(*RAW).astype(np.float64)
    phases = samples[:, :2] / np.abs(samples[:, :2]).max()
    # A cubic takes three quarters of its coefficient from a sine of amplitude 1.
    samples[:, :2] = phases - part / 0.75 * phases**3
    samples[:, :2] += 0.003 * np.random.default_rng(2).standard_normal(phases.shape)
    reading = analyse(samples, 250e3)
    if reading.valid:
        assert abs(reading.ratio.value - made.ratio) < 4.0 * reading.ratio.u
    else:
        assert messages.CLIPPED in reading.reasons


def test_a_third_harmonic_of_the_recordings_own_is_neither():
    made = make(Signal(rate_hz=250e3, carrier_hz=61e3, turns=4.4, third=-0.15, snr_db=40))
    reading = analyse(made.columns(*RAW), 250e3)
    assert reading.valid
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.002)
    assert reading.ratio.u < 0.01


def test_an_unbent_signal_is_not_made_uncertain():
    made = make(Signal(rate_hz=250e3, carrier_hz=61e3, turns=4.4, snr_db=40))
    assert analyse(made.columns(*RAW), 250e3).ratio.u < 0.001


@pytest.mark.parametrize("loss", [0.0, 0.02, 0.04])
def test_what_bends_groups_is_in_u_also_where_the_carrier_is_sampled_at_four_phases(loss):
    signal = Signal(
        rate_hz=250e3,
        carrier_hz=62.6e3,
        geometry="alternating",
        pairs=3,
        ratio=0.7,
        snr_db=40.0,
        turns=4.4,
    )
    made = make(signal)
    samples = made.columns(*RAW).astype(np.float64)
    # A cube of the wave takes three quarters of its coefficient from the fundamental.
    share = samples[:, :2] / np.abs(samples[:, :2]).max()
    samples[:, :2] *= 1.0 - loss / 0.75 * share**2
    reading = analyse(samples, 250e3)
    assert reading.valid
    assert abs(reading.ratio.value - made.ratio) < max(0.001, 3.0 * reading.ratio.u)
    assert reading.ratio.u < (0.03 if loss else 0.0015)


def test_a_tall_lobe_beside_none_bends_by_what_its_coarse_comparison_excludes():
    runs = SimpleNamespace(part=np.ones(4), rounding=0.0, within_tops=lambda which: (1.4, 0.5))
    assert np.isfinite(_bend(runs, 0.0))
    assert _bend(runs, 0.0) >= _bend(runs, 0.5)


def test_at_a_quarter_of_the_rate_what_stands_beside_silence_is_not_compared():
    """A third harmonic h makes a run's log power 4 h times its sampled kurtosis, less 1.5."""
    harmonic = -0.02
    sampled = 1.5 + 0.4 * np.sin(np.arange(60.0) ** 2)
    part = 0.4 * np.exp(4.0 * harmonic * (sampled - 1.5))
    part[::6] = 0.0
    one = np.ones(60)
    runs = _Runs(
        part=part,
        steady=one > 0.0,
        level=one > 0.0,
        fourth=one,
        square=one,
        shift=one,
        mean_v=one,
        greatest_v2=1.0,
        rounding=0.0,
        sampled=sampled,
    )
    assert runs.kurtosis(part > 0.0) == pytest.approx((1.5 + 2.0 * harmonic, 0.0), abs=1e-9)


@pytest.mark.parametrize("loss", [0.0, 0.02])
def test_where_nothing_tells_a_bend_an_amplifiers_usual_one_is_in_u(loss):
    # At four places of each period, always the same, a third harmonic is part of the carrier.
    made = make(Signal(rate_hz=250e3, carrier_hz=62.5e3, turns=4.4, ratio=0.6, snr_db=40))
    samples = made.columns(*RAW).astype(np.float64)
    share = samples[:, :2] / np.abs(samples[:, :2]).max()
    samples[:, :2] *= 1.0 - loss / 0.75 * share**2
    reading = analyse(samples, 250e3)
    assert reading.valid
    assert abs(reading.ratio.value - made.ratio) < 3.0 * reading.ratio.u
    assert reading.ratio.u < (0.02 if loss else 0.01)


def test_even_lobes_bend_alike_so_that_nothing_of_it_is_in_u():
    untold = SimpleNamespace(part=np.ones(9), within_tops=lambda which: None)
    assert _bend(untold, 1.0) == 0.0
    # A cube takes as the square of the height: of the lower one 0.36 of what it takes of the other.
    assert _bend(untold, 0.6) == pytest.approx(_bend(untold, 0.0) * (1.0 - 0.36))


@pytest.mark.parametrize("ratio", [0.5, 0.8])
@pytest.mark.parametrize("gap", [0.02, 0.06])
def test_what_lets_nothing_through_about_zero_is_held_by_u(ratio, gap):
    """Published: the output of an LM358 is class B (TI, SLOA277B, 4.3 to 4.5).

    A sine far above the gap loses 4/π of it, a taller one no more than a lower one.
    """
    made = make(Signal(rate_hz=250e3, carrier_hz=56e3, turns=4.4, ratio=ratio))
    samples = made.columns(*RAW).astype(np.float64)
    samples[:, :2] += 0.003 * np.random.default_rng(2).standard_normal(samples[:, :2].shape)
    most = np.abs(samples[:, :2]).max()
    kept = np.maximum(np.abs(samples[:, :2]) - gap * most, 0.0)
    samples[:, :2] = np.sign(samples[:, :2]) * kept
    reading = analyse(samples, 250e3)
    assert reading.valid
    assert abs(reading.ratio.value - made.ratio) < 4.0 * reading.ratio.u


@pytest.mark.parametrize(("tall", "low"), [(1.46, 1.46), (1.46, 1.47), (1.54, 1.55)])
def test_a_bend_that_chance_hides_is_in_u_as_far_as_the_wave_shows_one(tall, low):
    """Of a sine that is plainly none a fall of its size is no chance; of a sine it is."""

    def u_of(tall, low):
        values = iter([(tall, 1e-3), (low, 2e-2 / 5)])
        runs = SimpleNamespace(
            part=np.ones(9), rounding=0.0, within_tops=lambda which: next(values)
        )
        return _bend(runs, 0.9)

    assert u_of(1.5, 1.5) == 0.0
    assert u_of(tall, low) > 2e-3
