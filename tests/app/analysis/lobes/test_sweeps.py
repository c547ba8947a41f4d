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


def over_records(records: int, ratio: float, taken: float = 0.0, geometry: str = "two-band"):
    """Return the reading of records whose taller top an amplifier takes a part off, by the cube."""
    signal = Signal(geometry=geometry, ratio=ratio, rate_hz=PAIR_HZ, carrier_hz=2e3, turns=2.6)
    made = make(signal)
    top_v = max(made.tops_v)
    size_v = made.envelope_v * (1.0 - taken * (made.envelope_v / top_v) ** 2)
    rng = np.random.default_rng(7)
    analyser = SweepAnalyser(SETUP, keep_all=True)
    for number in range(records):
        # The extremes of noise lie above nothing.
        noise_v = 1e-2 * top_v * (1.0 + 0.1 * rng.standard_normal((2, len(size_v))))
        rows = np.stack([-size_v - noise_v[0], size_v + noise_v[1]], axis=1).reshape(-1, 1)
        start = 4 * number * len(rows)
        analyser.push(block_of(rows, start, at_index=True, min_max=True, gap_before=number > 0))
    return analyser.summary(), made


@pytest.mark.parametrize("count", [2, 4, 10])
def test_what_no_record_tells_does_not_average_out(count):
    told_u, untold_u = 3e-3, 4e-3
    one = ReadRecord(reading_of(float(np.hypot(told_u, untold_u))), reading_of(told_u))
    whole = average([one] * count, SETUP)
    # JCGM 100, 5.2.2: what is fully correlated is summed as it is.
    assert whole.balance.u == pytest.approx(np.hypot(told_u / np.sqrt(count), untold_u))


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
