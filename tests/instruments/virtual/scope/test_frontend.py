"""The inputs: range, rails, pairs, probes, coupling, maths, and where a record starts."""

from dataclasses import replace

import numpy as np
import pytest

from instruments.virtual.drive import VirtualDrive
from instruments.virtual.params import VirtualParams
from instruments.virtual.scope.frontend import FrontEnd, input_setup_of, trigger_time_s
from instruments.virtual.scope.panel import MATHS, TriggerEdge, new_front_panel
from instruments.virtual.scope.record import Traits, trace_of
from tests.instruments.virtual.scope.bench import QUIET, lobes_v

PROBES = (10.0, 10.0, 10.0, 10.0)


TRADE = {"carrier_hz": 125e3}
"""Where it matters how many samples and cycles a bucket holds."""


def acquire(
    *, params=None, traits=None, after_index_s=0.0, noise_codes=0.0, seed=0, **panel_settings
):
    """Return a record of pairs of half a second, from the index on, and the drive."""
    drive = VirtualDrive(VirtualParams(**{**QUIET, "offset_um": 25.0, **(params or {})}))
    traits = traits or Traits(memory=10_000)
    panel = new_front_panel(traits.memory)
    panel.seconds_per_div, panel.acquisition = 0.05, "peak"
    for number, scale in ((1, 0.06), (2, 0.06), (3, 1.0)):
        panel.channels[number].on = True
        panel.channels[number].volts_per_div = scale
    panel.channels[3].offset_v = 2.5
    for name, value in panel_settings.items():
        if name == "change":
            value(panel)
        else:
            setattr(panel, name, value)
    front_end = FrontEnd(drive, traits, seed=seed, noise_codes=noise_codes, probes=PROBES)
    begin_s = float(drive.spindle.times_s(np.array([1.0]))[0]) + after_index_s
    return front_end.acquire(input_setup_of(panel, traits), begin_s, 1), drive


def volts(record, channel):
    scale = record.scales[channel]
    return record.codes[channel] * scale.volts_per_code + scale.centre_v


def test_codes_are_eight_bits_of_the_set_range():
    record, drive = acquire()
    codes = record.codes[1]
    assert codes.dtype == np.int8
    # 25 codes a division of 60 mV; half of the differential's peak stands on each phase.
    peak_v = drive.truth(0, 1).first_v / 2 * 1.005
    assert np.abs(codes.astype(int)).max() == pytest.approx(peak_v / (0.06 / 25), abs=9)
    assert volts(record, 1) / (0.06 / 25) == pytest.approx(codes)


@pytest.mark.parametrize(("scale", "clips"), [(0.06, False), (0.03, True)])
def test_what_exceeds_the_range_stays_at_the_rails(scale, clips):
    def set_scale(panel):
        panel.channels[1].volts_per_div = scale

    record, _ = acquire(change=set_scale)
    codes = record.codes[1]
    assert bool(codes.max() == 127) is clips
    assert bool(codes.min() == -128) is clips


def test_clipping_pulls_the_ratio_to_one():
    """Measured: 40 % over range gave +12 % in the ratio."""

    def over(panel):
        for number in (1, 2):
            panel.channels[number].volts_per_div = 0.224 / 1.4 / 5.1

    fair, drive = acquire()
    clipped, _ = acquire(change=over)
    truth = drive.truth(0, 1).ratio
    ratios = []
    for record in (fair, clipped):
        heights = lobes_v(volts(record, 1), volts(record, 2), 0.5)
        ratios.append(min(heights) / max(heights))
    assert ratios[0] == pytest.approx(truth, abs=0.01)
    assert ratios[1] > truth * 1.08


@pytest.mark.parametrize("carrier_hz", [62.5e3, 125e3, 250e3])
@pytest.mark.parametrize("offset_um", [31.41, 14.43, 0.0])
def test_pairs_keep_the_lobes(carrier_hz, offset_um):
    record, drive = acquire(params={"carrier_hz": carrier_hz, "offset_um": offset_um})
    heights = lobes_v(volts(record, 1), volts(record, 2), 0.5)
    truth = drive.truth(0, 1)
    assert min(heights) / max(heights) == pytest.approx(truth.ratio, abs=0.01)
    # Two converters' steps of 2.4 mV, half of one each.
    assert heights == pytest.approx((truth.first_v, truth.second_v), abs=0.004)


def test_plain_samples_lose_the_lobes_to_aliasing():
    record, drive = acquire(params=TRADE, acquisition="normal", traits=Traits(memory=1200))
    assert record.codes[1].shape == (1200,)
    difference = np.abs(volts(record, 1) - volts(record, 2))
    # The top of the first lobe: samples fall anywhere on the carrier, as if by chance, and the
    # mean of a sine's magnitude is 2/pi of its peak.
    top = difference[110:130].mean()
    assert top == pytest.approx(2 / np.pi * drive.truth(0, 1).first_v, rel=0.15)


def test_noise_widens_the_pairs_by_three_to_five_sigma():
    """Extremes of n normal deviates: n = 100 to 1000 gives 2.5 to 3.3 sigma (David, table)."""
    quiet, _ = acquire(params=TRADE)
    noisy, _ = acquire(params=TRADE, noise_codes=2.0)
    grown = (noisy.codes[1][:, 1].astype(float) - quiet.codes[1][:, 1]).mean()
    assert 2.0 * 1.5 < grown < 2.0 * 4.0


def test_the_noise_follows_the_seed():
    first, second, other = (acquire(noise_codes=2.0, seed=seed)[0] for seed in (1, 1, 2))
    assert np.array_equal(first.codes[1], second.codes[1])
    assert not np.array_equal(first.codes[1], other.codes[1])


def test_order_of_the_pairs_is_the_models():
    record, _ = acquire()
    usual = trace_of(record, 1, Traits()).codes.reshape(-1, 2)
    other = trace_of(record, 1, Traits(order="max-min")).codes.reshape(-1, 2)
    assert np.all(usual[:, 0] <= usual[:, 1])
    assert np.array_equal(usual[:, ::-1], other)


@pytest.mark.parametrize(("xinc", "times"), [("point", 1.0), ("pair", 2.0), ("zero", 0.0)])
def test_increment_is_what_the_model_says(xinc, times):
    record, _ = acquire()
    trace = trace_of(record, 1, Traits(xinc=xinc))
    assert trace.increment_s == pytest.approx(times * 0.5 / 10_000)
    assert trace.interval_s * trace.codes.size == pytest.approx(record.span_s)


def test_thinning_pairs_keeps_the_extremes():
    record, _ = acquire()
    thin = trace_of(record, 1, Traits(), 1000).codes.reshape(-1, 2)
    whole = record.codes[1].reshape(500, 10, 2)
    assert np.array_equal(thin[:, 0], whole[:, :, 0].min(axis=1))
    assert np.array_equal(thin[:, 1], whole[:, :, 1].max(axis=1))


def test_a_probe_factor_that_does_not_fit_scales_the_volts():
    def wrong(panel):
        panel.channels[1].probe = 1.0
        panel.channels[1].volts_per_div = 0.006

    right, _ = acquire()
    record, _ = acquire(change=wrong)
    assert np.array_equal(record.codes[1], right.codes[1])
    assert volts(record, 1).max() == pytest.approx(volts(right, 1).max() / 10)


def test_coupling_takes_away_what_stands_still():
    def ac(panel):
        panel.channels[1].coupling = "ac"

    def ground(panel):
        panel.channels[1].coupling = "gnd"

    shifted, _ = acquire(params={"dc_v": 0.04})
    coupled, _ = acquire(params={"dc_v": 0.04}, change=ac)
    grounded, _ = acquire(params={"dc_v": 0.04}, change=ground)
    assert (volts(shifted, 1).max() + volts(shifted, 1).min()) / 2 == pytest.approx(0.04, abs=0.01)
    assert (volts(coupled, 1).max() + volts(coupled, 1).min()) / 2 == pytest.approx(0, abs=0.01)
    assert not grounded.codes[1].any()


def test_maths_of_points_cancels_the_lobes_and_of_the_signal_does_not():
    def maths(panel):
        panel.channels[MATHS].on = True
        panel.channels[MATHS].volts_per_div = 0.12

    true, drive = acquire(change=maths)
    naive, _ = acquire(change=maths, traits=Traits(memory=10_000, maths="points"))
    first_v = drive.truth(0, 1).first_v
    assert volts(true, MATHS).max() == pytest.approx(first_v, abs=0.01)
    # What is left is the mismatch of the gains, and the hum that it lets through.
    assert np.abs(volts(naive, MATHS)).max() < 0.1 * first_v


def test_a_channel_that_nothing_is_wired_to_is_flat():
    def fourth(panel):
        panel.channels[4].on = True

    record, _ = acquire(change=fourth)
    assert not record.codes[4].any()
    assert record.codes[4].shape == (5000, 2)


def test_a_fast_deep_record_is_samples_of_the_carrier():
    record, drive = acquire(
        acquisition="normal", seconds_per_div=10e-6, traits=Traits(memory=1000), after_index_s=0.05
    )
    codes = record.codes[1].astype(float) - record.codes[1].mean()
    spectrum = np.abs(np.fft.rfft(codes * np.hanning(codes.size)))
    found_hz = np.argmax(spectrum) / record.span_s
    assert found_hz == pytest.approx(drive.truth(0, 1).carrier_hz, rel=0.05)


@pytest.mark.parametrize("polarity", ["low", "high"])
@pytest.mark.parametrize("slope", ["rise", "fall"])
@pytest.mark.parametrize("level_v", [1.0, 4.0])
def test_the_trigger_comes_as_the_index_passes_its_level(polarity, slope, level_v):
    params = {**QUIET, "index_edge_us": 1000.0, "index_polarity": polarity}
    drive, rate_hz = VirtualDrive(VirtualParams(**params)), 1e6
    edge = TriggerEdge(3, level_v, slope, automatic=False)
    at_s = trigger_time_s(drive, edge, armed_s=0.3, span_s=0.5, gain=1.0)
    seen_v = np.zeros(21, np.float32)
    drive.index.fill(seen_v, drive.spindle, round(at_s * rate_hz) - 10, rate_hz)
    # 5 V in 1 ms are 5 mV a sample.
    assert seen_v[10] == pytest.approx(level_v, abs=0.006)
    assert (seen_v[-1] > seen_v[0]) == (slope == "rise")


@pytest.mark.parametrize(("slowness_hz", "is_caught"), [(25.0, True), (14.0, False)])
def test_an_automatic_trigger_waits_for_no_pulse_slower_than_20_hz(slowness_hz, is_caught):
    """Common practice, from memory: below some 20 Hz a scope is to be set to *normal*."""
    drive = VirtualDrive(VirtualParams(**QUIET))
    edge = TriggerEdge(3, 2.5, "fall", automatic=False)
    pulse_s = trigger_time_s(drive, edge, armed_s=0.3, span_s=1e-3, gain=1.0)
    armed_s = pulse_s - 1 / slowness_hz
    automatic = replace(edge, automatic=True)
    at_s = trigger_time_s(drive, automatic, armed_s=armed_s, span_s=1e-3, gain=1.0)
    assert (at_s == pytest.approx(pulse_s, abs=1e-8)) is is_caught
    assert armed_s < at_s <= pulse_s + 1e-8
