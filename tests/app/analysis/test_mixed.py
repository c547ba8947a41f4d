"""A signal that a switch mixes down before a sound card samples it.

The model is made here by scipy: a square-wave switch times the differential, an RC low-pass, and
the converter's decimation filter.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import scipy.signal

from app.analysis import messages
from app.analysis.envelope.mixing import carrier_before, seen_at
from app.analysis.results import Quantity
from app.analysis.track.bursts import azimuth_loss, azimuth_of, bursts_of
from app.analysis.track.output import output_of
from tests.app.analysis import made_bursts
from tests.app.analysis.running import analyse, block_of, setup_for
from tests.synthesis import Signal, make

DECIMATED = 12
RATE_HZ = 96e3
MADE_HZ = DECIMATED * RATE_HZ
ROLES = ("differential", "index")
SNR_DB = 25.0
SWITCH_HZ = 96e3
CARRIERS = [(62.5e3, 33.5e3), (125e3, 29e3), (250e3, 38e3)]
"""Each with where it is seen; the last by the switch's third harmonic, 288 kHz."""


def mixed_down(differential_v, index_v, switch_hz=SWITCH_HZ, seed=1):
    """Return columns differential and index as a card at 96 kS/s has them behind the mixer."""
    rng = np.random.default_rng(seed)
    angle = 2.0 * np.pi * switch_hz * np.arange(differential_v.size) / MADE_HZ
    turned = differential_v * scipy.signal.square(angle + 0.3)
    filtered = scipy.signal.lfilter(*scipy.signal.butter(1, 45e3, fs=MADE_HZ), turned)
    seen_v = scipy.signal.resample_poly(filtered, 1, DECIMATED)
    noise_v = np.abs(seen_v).max() / np.sqrt(2.0) * 10.0 ** (-SNR_DB / 20.0)
    seen_v = seen_v + noise_v * rng.standard_normal(seen_v.size)
    return np.stack([seen_v, index_v[::DECIMATED]], axis=1).astype(np.float32)


def stated(carrier_hz, **more):
    made = {"mixed_hz": SWITCH_HZ, "carrier_hz": carrier_hz, "bandwidth_hz": 0.45 * RATE_HZ}
    made["calibrated"] = True
    return {**made, **more}


def reading_of(samples, carrier_hz, **more):
    return analyse(samples, RATE_HZ, ROLES, **stated(carrier_hz, **more))


def setup(carrier_hz):
    return setup_for(ROLES, RATE_HZ, **stated(carrier_hz))


@cache
def lobes(carrier_hz, switch_hz=SWITCH_HZ, ratio=0.85):
    made = make(Signal(ratio=ratio, carrier_hz=carrier_hz, rate_hz=MADE_HZ, wow=0.001))
    return mixed_down(made.plus_v - made.minus_v, made.index_v, switch_hz)


@pytest.mark.parametrize(("carrier_hz", "seen_hz"), CARRIERS)
def test_the_side_of_the_switch_is_told_by_the_nominal_carrier(carrier_hz, seen_hz):
    assert seen_at(carrier_hz, SWITCH_HZ) == seen_hz
    assert carrier_before(seen_hz, SWITCH_HZ, 1.03 * carrier_hz) == carrier_hz
    assert carrier_before(seen_hz, None, carrier_hz) == seen_hz
    assert seen_at(carrier_hz, None) == carrier_hz
    # A spindle that is faster moves the line by as many hertz, to whichever side.
    faster = seen_at(1.01 * carrier_hz, SWITCH_HZ)
    assert carrier_before(faster, SWITCH_HZ, carrier_hz) == pytest.approx(1.01 * carrier_hz)


@pytest.mark.parametrize(("carrier_hz", "seen_hz"), CARRIERS)
@pytest.mark.parametrize("ratio", [0.7, 0.85, 1.0])
@pytest.mark.few(3)
def test_the_ratio_and_the_true_carrier(carrier_hz, seen_hz, ratio):
    reading = reading_of(lobes(carrier_hz, ratio=ratio), carrier_hz)
    assert reading.valid
    assert reading.ratio.value == pytest.approx(ratio, abs=0.002)
    assert reading.carrier_hz.value == pytest.approx(carrier_hz, rel=1e-3)
    assert reading.notes == ()


@pytest.mark.parametrize(("carrier_hz", "seen_hz"), CARRIERS)
def test_unless_it_is_stated_the_line_is_taken_as_it_is(carrier_hz, seen_hz):
    samples = lobes(carrier_hz)
    reading = reading_of(samples, carrier_hz, mixed_hz=None)
    assert reading.carrier_hz.value == pytest.approx(seen_hz, rel=3e-3)
    assert len(reading.notes) == 1
    assert reading.notes[0].text in (messages.IMAGE.text, messages.OFF_CARRIER.text)


@pytest.mark.parametrize(
    ("carrier_hz", "nominal_hz", "switch_hz"),
    [
        # 129.5 kHz would be seen at 33.5 too: the disk of another density, or the wrong profile.
        (62.5e3, 125e3, SWITCH_HZ),
        (125e3, 125e3, 98e3),
        (125e3, 250e3, SWITCH_HZ),
    ],
)
def test_what_cannot_be_the_carrier_is_said(carrier_hz, nominal_hz, switch_hz):
    reading = reading_of(lobes(carrier_hz, switch_hz), nominal_hz)
    assert [note.text for note in reading.notes] == [messages.OFF_MIXED.text]
    assert reading.ratio.value == pytest.approx(0.85, abs=0.002)


# -- bursts and written tracks -----------------------------------------------------------------

ANGLES = (-12.0, 12.0, -18.0, 18.0)
WIDTH_UM = 300.0
RADII_MM = {62.5e3: 39.1583, 125e3: 39.1583, 250e3: 75.0}
"""Of the azimuth track: 250 kHz is that of larger disks."""
CLEAN = {"snr_db": 150.0, "hum_v": 0.0, "turns": 6.3}


@pytest.fixture
def made(monkeypatch):
    """Return what makes bursts and tracks of a carrier at the rate of this module, mixed down."""
    monkeypatch.setattr(made_bursts, "RATE_HZ", MADE_HZ)

    def one(make, carrier_hz, *words):
        monkeypatch.setattr(made_bursts, "CARRIER_CYCLES", round(carrier_hz / 5.0))
        samples = make(*words, **CLEAN)
        return mixed_down(samples[:, 0] - samples[:, 1], samples[:, 2])

    return one


def azimuth_in(samples, carrier_hz, nominal_hz):
    found = bursts_of([block_of(samples)], setup(nominal_hz), 34)
    radius_mm = RADII_MM[carrier_hz]
    width_um = Quantity(WIDTH_UM, 0.0)
    return azimuth_of(found, ANGLES, width_um=width_um, radius_mm=radius_mm, carrier_hz=nominal_hz)


@pytest.mark.parametrize("carrier_hz", RADII_MM)
@pytest.mark.parametrize("head", [-9.0, 5.0, 21.0])
@pytest.mark.few(3)
def test_azimuth_by_the_true_wavelength_within_a_minute(made, carrier_hz, head):
    length_um = 2e3 * np.pi * RADII_MM[carrier_hz] * 5.0 / carrier_hz
    heights = azimuth_loss(np.array(ANGLES) - head, WIDTH_UM, length_um)
    samples = made(made_bursts.bursts, carrier_hz, 3, 210.0, heights)
    found = azimuth_in(samples, carrier_hz, carrier_hz)
    assert found.angle_arcmin.value == pytest.approx(head, abs=1.0)
    assert abs(found.angle_arcmin.value - head) < 2 * found.angle_arcmin.u


def test_no_azimuth_is_told_by_a_wavelength_that_nobody_knows(made):
    heights = azimuth_loss(np.array(ANGLES) - 5.0, WIDTH_UM, 9.8)
    samples = made(made_bursts.bursts, 62.5e3, 3, 210.0, heights)
    assert azimuth_in(samples, 62.5e3, 125e3).text == messages.OFF_MIXED.text


@pytest.mark.parametrize(
    ("written_hz", "nominal_hz"), [(62.5e3, 125e3), (125e3, 125e3), (250e3, 250e3)]
)
def test_a_written_track_has_its_frequency_and_no_asymmetry(made, written_hz, nominal_hz):
    samples = made(made_bursts.written, written_hz, 1, round(written_hz / 5.0), 0.1, 0.0)
    found = output_of([block_of(samples)], setup(nominal_hz))
    assert found.finding.frequency_hz.value == pytest.approx(written_hz, rel=1e-3)
    assert found.finding.modulation_percent.value == pytest.approx(10.0, abs=0.5)
    assert found.finding.asymmetry_ns is None
    assert found.problem == messages.ASYMMETRY_NEEDS_CARRIER


def test_a_silent_mixer_says_that_there_is_no_carrier():
    still = np.random.default_rng(2).standard_normal((96_000, 2)).astype(np.float32) * 1e-3
    assert messages.NO_CARRIER in reading_of(still, 125e3).reasons
