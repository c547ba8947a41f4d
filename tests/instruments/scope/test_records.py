"""Extremes in volts, the differential of two channels, and the doubt between pair and point."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.scope.preamble import Preamble, PreambleError
from instruments.scope.shelf import load_families
from instruments.scope.waveform import (
    Record,
    bin_interval_s,
    bins_before_trigger,
    decode,
    difference,
    extremes_bias,
    frames,
)

A2 = load_families()["A2"].waveform


def told(points, interval_s=1e-3, **more):
    fields = {"yinc": 0.01, "yorig": 0, "yref": 128}
    return Preamble(points, interval_s, fields=fields, **more)


def record(low, high, start_s=None, interval_s=1e-3):
    low, high = (np.array(side, np.float32) for side in (low, high))
    return Record(low, high, interval_s, start_s, clipped=False, paired=True)


def decoded(codes, preamble=None, **more):
    preamble = preamble or told(len(codes))
    more = {"detecting": True, "span_s": 1e-3 * len(codes), **more}
    return decode(preamble, bytes(codes), A2, **more)


@pytest.mark.parametrize("codes", [[118, 138, 128, 228], [138, 118, 228, 128]])
def test_extremes_in_either_order(codes):
    found = decoded(codes)
    np.testing.assert_allclose(found.low_v, [-0.1, 0], atol=1e-6)
    np.testing.assert_allclose(found.high_v, [0.1, 1], atol=1e-6)
    assert found.paired
    assert not found.clipped


@pytest.mark.parametrize("rail", [0, 255])
def test_a_rail_code_is_clipping(rail):
    assert decoded([128, rail, 128, 128]).clipped
    assert not decoded([128, abs(rail - 1), 128, 128]).clipped


@pytest.mark.parametrize("reached", [(-0.5, 0.5), (-0.5, 0.1), (-0.1, 0.5)])
def test_volts_clip_at_either_edge_of_the_screen(reached):
    family = load_families()["D"].waveform
    data = np.array([*reached, -0.1, 0.1], "<f4").tobytes()
    preamble = Preamble(4, 1e-3, pairs=True)
    for rail_v, clipped in ((0.5, True), (0.51, False)):
        found = decode(preamble, data, family, detecting=False, span_s=2e-3, rail_v=rail_v)
        assert found.clipped is clipped
    assert found.paired  # the header's word goes before the setting
    bad = np.array([np.nan, 1, 1, 1], "<f4").tobytes()
    with pytest.raises(PreambleError, match="no numbers"):
        decode(preamble, bad, family, detecting=False, span_s=2e-3)


def test_an_inverted_scale_keeps_low_below_high():
    family = load_families()["A2-older"].waveform
    preamble = Preamble(None, 1e-3, fields={"vdiv": 0.25, "offset": 0})
    found = decode(preamble, bytes([25, 225]), family, detecting=True, span_s=2e-3)
    assert found.low_v[0] == pytest.approx(-1)
    assert found.high_v[0] == pytest.approx(1)


def test_a_wrong_count_is_refused():
    with pytest.raises(PreambleError, match="4 points came where 6 were announced"):
        decoded([1, 2, 3, 4], told(6))


@pytest.mark.parametrize("yinc", [1e37, 1e300, -1e300])
def test_a_scale_beyond_what_is_kept_of_volts_is_refused(yinc):
    preamble = Preamble(4, 1e-3, fields={"yinc": yinc, "yorig": 0, "yref": 128})
    with pytest.raises(PreambleError, match="no numbers"):
        decoded([0, 128, 128, 255], preamble)


# Points, told interval, what a bin lasts: the screen spans 0.6 s in all.
@pytest.mark.parametrize(
    ("pairs", "told_s", "bin_s"),
    [(600, 0.5e-3, 1e-3), (600, 1e-3, 1e-3), (500, 0.6e-3, 1.2e-3), (700, 0.5e-3, 1e-3)],
)
def test_pair_or_point_is_settled_by_the_span(pairs, told_s, bin_s):
    assert bin_interval_s(told_s, pairs, 0.6, paired=True) == pytest.approx(bin_s)


@pytest.mark.parametrize(
    ("pairs", "told_s", "words"),
    [
        (600, 0, "told as 0"),
        (0, 1e-3, "empty"),
        (600, 1e-4, "do not make up"),
        (600, 4e-3, "do not"),
    ],
)
def test_times_that_fit_nothing(pairs, told_s, words):
    with pytest.raises(PreambleError, match=words):
        bin_interval_s(told_s, pairs, 0.6, paired=True)


def test_differential_is_taken_from_opposite_extremes():
    # [min(plus) − max(minus), max(plus) − min(minus)].
    found = difference(record([-1, -2], [1, 2]), record([-0.9, -2.1], [1.1, 1.9]))
    np.testing.assert_allclose(found.low_v, [-2.1, -3.9], rtol=1e-6)
    np.testing.assert_allclose(found.high_v, [1.9, 4.1], rtol=1e-6)
    with pytest.raises(PreambleError, match="2 and 1 steps"):
        difference(record([0, 0], [0, 0]), record([0], [0]))


@given(st.floats(0.3, 1), st.integers(0, 6), st.integers(20, 200))
def test_lobes_of_opposed_phases_come_through(height, shift, cycles):
    """The differential's swing is the sum of the phases' swings; point by point it is none."""
    phase = np.arange(4000) * 2 * math.pi * cycles / 4000 + shift
    plus = np.float32(height) * np.sin(phase).astype(np.float32)
    bins = [x.reshape(10, 400) for x in (plus, -plus)]
    found = difference(*(record(x.min(1), x.max(1)) for x in bins))
    truth = (bins[0] - bins[1]).reshape(10, 400)
    np.testing.assert_allclose(found.high_v - found.low_v, np.ptp(truth, axis=1), rtol=0.02)


def test_frames_hold_low_and_high_rows_in_turn():
    signal, index = record([1, 3, 5], [2, 4, 6]), record([0, 0, 0], [5, 5, 5])
    out = frames([signal, index], skip=1)
    np.testing.assert_array_equal(out, [[3, 0], [4, 5], [5, 0], [6, 5]])
    assert out.dtype == np.float32
    assert out.flags.c_contiguous


@pytest.mark.parametrize(
    ("start_s", "bins"), [(None, 0), (0.1, 0), (-0.4e-3, 0), (-2e-3, 2), (-2.6e-3, 3), (-9, 4)]
)
def test_bins_before_the_trigger(start_s, bins):
    assert bins_before_trigger(record([0] * 4, [0] * 4, start_s)) == bins


@pytest.mark.parametrize("samples", [10, 100, 1000, 20000])
def test_bias_of_extremes_is_that_of_drawn_noise(samples):
    drawn = np.random.default_rng(1).standard_normal((400, samples))
    assert extremes_bias(1, samples) == pytest.approx(np.ptp(drawn, axis=1).mean(), rel=0.02)
