"""Records of extremes: what averages out over them, and what their lobes tell of an amplifier."""

import numpy as np
import pytest

from app.analysis.lobes.sweeps import ReadRecord, SweepAnalyser, average
from app.analysis.results import Quantity, Reading
from tests.app.analysis.running import block_of, setup_for
from tests.synthesis import Signal, make

PAIR_HZ = 8e3
NAMES = ("differential",)
SETUP = setup_for(NAMES, 2 * PAIR_HZ)


def reading_of(balance_u: float) -> Reading:
    height = Quantity(1.0, 1e-3)
    return Reading(valid=True, first_v=height, second_v=height, balance=Quantity(0.0, balance_u))


def made_of(ratio: float, geometry: str = "two-band"):
    """Return a signal of two whole turns, as a scope's record has them."""
    return make(Signal(geometry=geometry, ratio=ratio, rate_hz=PAIR_HZ, carrier_hz=2e3, turns=2.6))


def records_of(made, records: int, taken: float = 0.0, spread: float = 0.1):
    """Yield records of min/max pairs, whose noise is a hundredth and spreads by a part of that.

    Of the taller top an amplifier takes the part `taken` off, by the cube.
    """
    top_v = max(made.tops_v)
    size_v = made.envelope_v * (1.0 - taken * (made.envelope_v / top_v) ** 2)
    rng = np.random.default_rng(7)
    for number in range(records):
        # The extremes of noise lie above nothing.
        noise_v = 1e-2 * top_v * np.abs(1.0 + spread * rng.standard_normal((2, len(size_v))))
        rows = np.stack([-size_v - noise_v[0], size_v + noise_v[1]], axis=1).reshape(-1, 1)
        start = 4 * number * len(rows)
        yield block_of(rows, start, at_index=True, min_max=True, gap_before=number > 0)


def over_records(records: int, ratio: float, taken: float = 0.0, geometry: str = "two-band"):
    """Return the reading over some records, and what they are made of."""
    made = made_of(ratio, geometry)
    analyser = SweepAnalyser(SETUP, keep_all=True)
    for record in records_of(made, records, taken):
        analyser.push(record)
    return analyser.summary(), made


@pytest.mark.parametrize("count", [2, 4, 10])
def test_what_no_record_tells_does_not_average_out(count):
    told_u, untold_u = 3e-3, 4e-3
    one = ReadRecord(reading_of(float(np.hypot(told_u, untold_u))), reading_of(told_u))
    whole = average([one] * count, SETUP)
    # JCGM 100, 5.2.2: what is fully correlated is summed as it is.
    assert whole.balance.u == pytest.approx(np.hypot(told_u / np.sqrt(count), untold_u))


@pytest.mark.parametrize(
    ("spread", "turns"), [(0.1, [2, 2, 2, 2, 2, 2]), (4.0, [2, 4, 6, 8, 8, 8])]
)
def test_a_reading_takes_in_up_to_three_records_before_it_where_one_is_noisy(spread, turns):
    made = made_of(0.6)
    analyser = SweepAnalyser(SETUP, keep_all=False)
    readings = []
    for record in records_of(made, len(turns), spread=spread):
        analyser.push(record)
        readings.append(analyser.reading)
    assert all(reading.valid for reading in readings)
    assert [reading.revolutions for reading in readings] == turns
    balance, alone = readings[-1].balance, readings[0].balance
    assert abs(balance.value - (1 - made.ratio) / (1 + made.ratio)) < 2 * balance.u
    assert (balance.u < 0.8 * alone.u) is (spread > 1.0)


def test_more_records_do_not_tell_how_an_amplifier_bends():
    (few, _), (many, _) = (over_records(count, 0.6) for count in (1, 6))
    assert many.valid
    assert many.ratio.u > 0.9 * few.ratio.u


@pytest.mark.parametrize("geometry", ["two-band", "boundary"])
@pytest.mark.parametrize("taken", [0.06, 0.12])
def test_a_lobe_s_shape_tells_of_an_amplifier_that_bends_it(geometry, taken):
    bent, made = over_records(4, 0.6, taken, geometry)
    assert not bent.valid or abs(bent.ratio.value - made.ratio) < 3.0 * bent.ratio.u


@pytest.mark.parametrize("geometry", ["two-band", "boundary"])
def test_a_lobe_that_is_not_bent_costs_nothing(geometry):
    plain, made = over_records(4, 0.6, 0.0, geometry)
    assert abs(plain.ratio.value - made.ratio) < 2.0 * plain.ratio.u
    # 2 % by the cube, of the taller top against the lower, is what is supposed where nothing tells.
    assert plain.ratio.u < 1.2 * 0.02 * 0.6 * (1.0 - 0.6**2)
