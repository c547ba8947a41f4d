"""A volt is a name: what is read does not change where all voltages are larger or smaller."""

from dataclasses import fields

import numpy as np
import pytest
from scipy.signal import butter, lfilter

from app.analysis.results import Quantity
from tests.app.analysis.running import BRISK, analyse
from tests.synthesis import Signal, make

NAMES = ("plus", "minus", "index")
CASES = {
    "two bands": {"snr_db": 30.0, "hum": 0.02},
    "boundary": {"geometry": "boundary", "snr_db": 25.0, "mismatch": 0.1},
    "bell": {"geometry": "bell", "snr_db": 20.0, "drops": 1},
    "squared": {"geometry": "squared", "bits": 8},
    "6 pairs": {"geometry": "alternating", "snr_db": 30.0},
    "14 pairs": {"geometry": "alternating", "pairs": 14, "snr_db": 40.0},
    "17 pairs": {"geometry": "alternating", "pairs": 17, "snr_db": 40.0},
    "even, noisy": {"ratio": 1.0, "snr_db": 8.0},
    "far off": {"ratio": 0.03, "snr_db": 30.0, "geometry": "boundary"},
}


def read(volts, index_v, factor, names, **stated):
    """What is read of samples times a factor, in words and in numbers; those as without it."""
    samples = np.concatenate([factor * volts, index_v], axis=1)
    words, numbers = {}, {}
    reading = analyse(samples, BRISK["rate_hz"], names, **stated)
    for name in (each.name for each in fields(reading)):
        of = getattr(reading, name)
        if isinstance(of, Quantity):
            by = factor if name.endswith("_v") else 1.0
            numbers |= {name: of.value / by, f"u of {name}": of.u / by}
        elif isinstance(of, float):
            numbers[name] = of
        else:
            words[name] = of
    return words, numbers


def assert_alike(volts, index_v, names=NAMES, **stated):
    words, numbers = read(volts, index_v, 1.0, names, **stated)
    # By powers of two no digit of a sample changes; but a long sum is rounded by where in memory
    # its numbers lie.
    for factor in (2.0**-7, 2.0**5):
        said, found = read(volts, index_v, factor, names, **stated)
        assert said == words
        assert found == pytest.approx(numbers, rel=1e-9)


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("residue", [0.0, 0.02])
@pytest.mark.few(8)
def test_larger_and_smaller_voltages_are_read_alike(case, residue):
    made = make(Signal(**BRISK, turns=3.4, **CASES[case]))
    # What an older recording has left in the nulls, near the carrier's frequency.
    time_s = np.arange(len(made.plus_v)) / BRISK["rate_hz"]
    other = residue * 0.4 * np.sin(2.0 * np.pi * 1.001 * BRISK["carrier_hz"] * time_s)
    volts = made.columns("plus", "minus") + np.stack([other, -other], axis=1) / 2.0
    index_v = made.columns("index")
    assert_alike(volts, index_v)


@pytest.mark.parametrize("corner_hz", [0.0, 7.0, None])
@pytest.mark.parametrize("offset_v", [0.0, -0.02, 0.005])
def test_a_detectors_larger_and_smaller_voltages_are_read_alike(corner_hz, offset_v):
    made = make(Signal(**BRISK, turns=4.4, snr_db=40.0, geometry="boundary"))
    noise_v = 1e-3 * np.random.default_rng(3).standard_normal(len(made.plus_v))
    volts = made.columns("envelope") + (noise_v + offset_v)[:, None].astype(np.float32)
    if corner_hz:
        volts = lfilter(*butter(1, corner_hz, "high", fs=BRISK["rate_hz"]), volts, axis=0)
    stated = {"low_corner_hz": corner_hz, "detector_threshold_v": 0.0}
    assert_alike(volts.astype(np.float32), made.columns("index"), ("envelope", "index"), **stated)
