"""How strong a track is, of one frequency or of data."""

import numpy as np
import pytest

from app.analysis import messages
from app.analysis.results import Quantity
from app.analysis.track.level import level_of
from tests.app.analysis import made_bursts
from tests.app.analysis.running import RAW, block_of, setup_for

SETUP = setup_for(RAW, made_bursts.RATE_HZ)


def written_data(seed, amplitude, snr_db=35.0):
    """Return columns of a track of random data: waves of three lengths, 2, 3 and 4 half cells."""
    rng = np.random.default_rng(seed)
    place = made_bursts.places(5.3, rng)
    edges = np.cumsum(rng.integers(2, 5, 60_000)) / 200_000.0
    angle = np.pi * np.interp(np.remainder(place, 1.0) * 0.9, edges, np.arange(edges.size))
    return made_bursts.finish(amplitude * np.cos(angle), place, rng, snr_db)


def test_of_one_frequency_it_is_the_amplitude():
    found = level_of([block_of(made_bursts.written(1, 25_000, 0.0, 0.0, 5.3))], SETUP)
    # Noise of 20 dB adds its own power, one part in a hundred, to that of the signal.
    assert found.value == pytest.approx(0.4 * np.sqrt(1.01), rel=3e-3)


def test_of_data_it_follows_what_the_head_has_of_them():
    whole, part = (level_of([block_of(written_data(2, each))], SETUP) for each in (1.0, 0.4))
    assert part.value / whole.value == pytest.approx(0.4, rel=4e-3)
    assert 0.0 < whole.u < 0.01 * whole.value


def test_an_envelope_and_the_lack_of_an_index_change_nothing():
    samples = made_bursts.written(3, 25_000, 0.0, 0.0, 5.3)
    samples[:, 2] = 5.0
    assert level_of([block_of(samples)], SETUP).value == pytest.approx(0.402, rel=5e-3)
    setup = setup_for(("envelope",), made_bursts.RATE_HZ)
    flat = np.full((int(1.1 * made_bursts.RATE_HZ), 1), 0.3, dtype=np.float32)
    assert level_of([block_of(flat)], setup).value == pytest.approx(0.3, rel=1e-6)


def test_clipping_and_less_than_two_turns_are_told():
    samples = made_bursts.written(4, 25_000, 0.0, 0.0, 5.3)
    assert level_of([block_of(samples, clipped=True)], SETUP) is messages.CLIPPED
    assert level_of([block_of(samples[:200_000])], SETUP) is messages.NO_WHOLE_TURN
    assert isinstance(level_of([block_of(samples)], SETUP), Quantity)
