"""The rules by which a scope is set: steps of 1-2-5, spans, ranges, what is watched, words."""

from types import SimpleNamespace

import numpy as np
import pytest

from instruments.scope.options import ScopeChannels, ScopeOptions
from instruments.scope.panel import is_no_error, same_word
from instruments.scope.setup import (
    Ranges,
    ScopeSetup,
    check_phases,
    check_probes,
    delay_value,
    index_level_v,
    step_above,
    time_scale_s,
    watched,
)
from instruments.scope.shelf import load_families
from instruments.scope.waveform import Record, is_active_at
from instruments.source import SourceUnavailable

FAMILIES = load_families()


@pytest.mark.parametrize(
    ("scale_v", "step_v"),
    [(0.9e-6, 1e-6), (1e-6, 1e-6), (0.3, 0.5), (0.5004, 0.5), (0.501, 1.0), (2.1, 5.0)],
)
def test_the_step_above_is_the_next_of_1_2_5(scale_v, step_v):
    assert step_above(scale_v) == pytest.approx(step_v)


def test_steps_end_at_five_thousand_volts():
    assert step_above(4999.0) == step_above(1e6) == pytest.approx(5000.0)


@pytest.mark.parametrize(
    ("rpm", "divisions", "scale_s"),
    [
        # 2.5 turns of 200 ms over 10, 12 and 14 divisions; of 166.7 ms; of 240 and 150 ms.
        (300, 10, 0.05),
        (300, 12, 0.05),
        (300, 14, 0.05),
        (360, 10, 0.05),
        (250, 10, 0.1),
        (400, 16, 0.05),
        (400, 20, 0.02),
    ],
)
def test_the_time_scale_shows_about_two_and_a_half_turns(rpm, divisions, scale_s):
    assert time_scale_s(rpm, divisions) == pytest.approx(scale_s)
    assert scale_s * divisions >= 2.2 * 60 / rpm


def test_the_delay_puts_the_trigger_where_the_family_can():
    told = [delay_value(place, 0.6) for place in ("centre", "minus-centre", "percent", "middle")]
    assert told == [0.3, -0.3, 0.0, 0.0]


@pytest.mark.parametrize(
    ("told", "wanted"),
    [
        # SCPI-1999, volume 1, 6.2.1: short or long form, in any case.
        ("NORM", "NORMAL"),
        ("normal", "NORM"),
        ('"CH1"', "CH1"),
        (":TRIG:SOUR CH1", "CH1"),
        ("ON", "1"),
        ("0", "OFF"),
        ("1.000E0", "1"),
        (" AC ", "AC"),
    ],
)
def test_words_that_are_the_same(told, wanted):
    assert same_word(told, wanted)


@pytest.mark.parametrize(
    ("told", "wanted"),
    [
        ("", "AC"),
        ("N", "NORMAL"),
        ("DC", "AC"),
        ("2", "1"),
        ("1.5", "1"),
        ("12", "1"),
        ("OFF", "1"),
    ],
)
def test_words_that_differ(told, wanted):
    assert not same_word(told, wanted)


def test_phases_of_plain_samples_that_go_together_are_refused():
    wave = np.sin(np.linspace(0, 60, 900)).astype(np.float32)

    def plain(samples):
        return Record(samples, samples, 1e-6, 0.0, clipped=False, paired=False)

    check_phases("scope", ranges()[0], {1: plain(wave), 2: plain(-wave)})
    with pytest.raises(SourceUnavailable, match="rise and fall together; switch off Invert"):
        check_phases("scope", ranges()[0], {1: plain(wave), 2: plain(0.9 * wave)})
    # Of a dead channel the other check tells.
    with pytest.raises(SourceUnavailable, match="should be alike"):
        check_phases("scope", ranges()[0], {1: plain(wave), 2: plain(0 * wave)})


def test_an_empty_error_queue_says_nought():
    assert all(map(is_no_error, ('0,"No error"', "+0,x", "-0", "", " 0 ,")))
    assert not any(map(is_no_error, ('-113,"Undefined header"', "10,x", "1")))


class Scope:
    """The scale of each channel of a scope, in steps; and its probe factors."""

    def __init__(self, factors=(), steps=()):
        self.factors, self.steps = dict(factors), steps
        self.asked = []

    def set_number(self, name, value, deadline, channel=1, near=0.03):
        assert (name, near) == ("scale", 1e9)
        self.asked.append((channel, value))
        return max((s for s in self.steps if s <= value * 1.0001), default=value)

    def probe(self, channel, deadline):
        return self.factors.get(channel)


def ranges(*, steps=(), scales_v=(1.0, 1.0), index=None, divisions=8.0):
    scope = Scope(steps=steps)
    made = Ranges(scope, "scope “x”", divisions, (1, 2), index)
    for channel, scale_v in enumerate(scales_v, 1):
        made.set_scale(channel, scale_v, None)
    scope.asked.clear()
    return made, scope


def record(peak_v, low_v=None, *, clipped=False):
    high = np.array([0.0, peak_v], np.float32)
    low = np.array([0.0, -peak_v if low_v is None else low_v], np.float32)
    return Record(low, high, 1e-3, 0.0, clipped=clipped, paired=True)


def test_a_range_tells_its_rails_and_what_a_code_is():
    made, _ = ranges(scales_v=(2.0,))
    assert made.rails_v[1] == pytest.approx(0.995 * 2.0 * 8 / 2)
    assert made.code_v(1) == pytest.approx(2.0 * 8 / 256)


@pytest.mark.parametrize(
    ("peaks_v", "scale_v"),
    [
        # The larger fills 82 % of the half screen afterwards, four divisions.
        ((2.0, 1.0), 2.0 / 4 / 0.82),
        ((0.4, 3.9), 3.9 / 4 / 0.82),
        ((2.4, 1.0), None),
        ((3.6, 1.0), None),
        ((2.39, 1.0), 2.39 / 4 / 0.82),
        ((3.61, 1.0), 3.61 / 4 / 0.82),
        ((0.0, 0.0), None),
    ],
)
def test_both_phases_get_the_range_in_which_the_larger_fills_the_screen(peaks_v, scale_v):
    made, scope = ranges()
    changed = made.fit({n: record(peak_v) for n, peak_v in enumerate(peaks_v, 1)}, None)
    assert changed is (scale_v is not None)
    if scale_v is not None:
        assert scope.asked == [(1, pytest.approx(scale_v)), (2, pytest.approx(scale_v))]


def test_a_clipped_phase_widens_both_and_steps_are_taken_from_above():
    made, scope = ranges()
    assert made.fit({1: record(1.0), 2: record(1.0, clipped=True)}, None)
    assert scope.asked == [(1, 2.5), (2, 2.5)]
    made, scope = ranges(steps=(0.1, 0.2, 0.5, 1.0, 2.0, 5.0))
    assert made.fit({1: record(2.0), 2: record(2.0)}, None) is False
    assert made.scales_v == {1: 1.0, 2: 1.0}
    assert made.fit({1: record(1.2), 2: record(1.2)}, None)
    assert made.scales_v == {1: 0.5, 2: 0.5}


@pytest.mark.parametrize(
    ("high_v", "clipped", "changed"), [(9, False, True), (7, False, False), (1, True, True)]
)
def test_an_index_is_widened_only_where_it_leaves_the_screen(high_v, clipped, changed):
    made, _ = ranges(scales_v=(1.0, 1.0, 2.0), index=3)
    fitting = {1: record(3.0), 2: record(3.0), 3: record(high_v, 0.0, clipped=clipped)}
    assert made.fit(fitting, None) is changed
    assert made.scales_v[3] == (5.0 if changed else 2.0)


def test_a_range_follows_at_once_upward_and_with_patience_downward():
    made, _ = ranges()
    assert made.follow({1: record(3.7), 2: record(1.0)}, None)
    little = {n: record(0.3 * 4 * made.scales_v[1]) for n in (1, 2)}
    assert [made.follow(little, None) for _ in range(4)] == [False, False, False, True]
    fair = {n: record(0.5 * 4 * made.scales_v[1]) for n in (1, 2)}
    little = {n: record(0.3 * 4 * made.scales_v[1]) for n in (1, 2)}
    told = [made.follow(each, None) for each in (little, little, little, fair, little, little)]
    assert not any(told), "a fair record in between begins the count anew"
    nothing = {1: record(0.0), 2: record(0.0)}
    assert not any(made.follow(nothing, None) for _ in range(9))


def test_a_scope_without_a_range_is_told():
    made, scope = ranges()
    scope.set_number = lambda *_, **__: 0.0
    with pytest.raises(SourceUnavailable, match="channel 2 says 0 V a division; set a range"):
        made.set_scale(2, 1.0, None)


@pytest.mark.parametrize(
    ("factors", "probe", "words"),
    [
        ({1: 10.0, 2: 10.0}, None, ""),
        ({1: 10.0, 2: 10.0}, 10.0, ""),
        ({1: 10.005, 2: 10.005}, 10.0, ""),
        ({}, 10.0, ""),
        ({1: 10.0, 2: 1.0}, None, r"differ \(channel 1 to ×10 and channel 2 to ×1\)"),
        ({1: 10.02, 2: 10.02}, 10.0, "channel 1 is set to a ×10.02 probe and probe=10 was given"),
    ],
)
def test_probes_are_alike_and_as_was_said(factors, probe, words):
    options = ScopeOptions("r", columns=ScopeChannels(plus=1, minus=2), probe=probe)
    if not words:
        check_probes(Scope(factors), "scope", options, None)
        return
    with pytest.raises(SourceUnavailable, match=words):
        check_probes(Scope(factors), "scope", options, None)


@pytest.mark.parametrize(
    ("peaks_v", "refused"),
    [((1.0, 0.26), False), ((1.0, 0.24), True), ((0.24, 1.0), True), ((0.24, 0.0), False)],
)
def test_phases_of_which_one_is_four_times_the_other_are_refused(peaks_v, refused):
    # Of a phase that shows nothing four codes count: 16 codes of 31 mV are 0.5 V of swing.
    made, _ = ranges()
    both = {n: record(peak_v) for n, peak_v in enumerate(peaks_v, 1)}
    if refused:
        high = 1 if peaks_v[0] > peaks_v[1] else 2
        with pytest.raises(SourceUnavailable, match=f"channel {high} shows 2 V"):
            check_phases("scope", made, both)
    else:
        check_phases("scope", made, both)
    check_phases("scope", made, {1: record(9.0)})


def test_the_level_is_the_middle_of_the_pulses_or_what_was_said():
    def level(low_v=0.0, high_v=5.0, **options):
        made, _ = ranges(scales_v=(1.0, 1.0, 2.0), index=3)
        given = ScopeOptions("r", **options)
        return index_level_v("scope", made, given, {3: record(high_v, low_v)})

    assert level() == 2.5
    assert level(1.0, 5.0) == 2.5  # the record begins at 0 V
    assert level(level_v=1.0) == 1.0
    # Eight codes of 2 V/div over 8 divisions are half a volt.
    assert level(0.0, 0.5) == 0.25
    with pytest.raises(SourceUnavailable, match="carries no index pulses"):
        level(0.0, 0.49)
    for level_v in (0.0, 5.0, 6.0):
        with pytest.raises(SourceUnavailable, match="never through level="):
            level(level_v=level_v)
    # TTL switches between 0.8 V and 2 V (common practice).
    assert level(trigger="external") == 1.4
    assert level(trigger="external", level_v=0.5) == 0.5


def test_what_is_watched():
    of_start = {"delay", "trigger_source", "trigger_slope", "sweep"}
    keys = watched(FAMILIES["A2"], detecting=(1, 2), trigger=3, signals=(1, 2))
    assert {("time_scale", 1), ("detect", 1), ("detect", 2)} <= set(keys)
    assert of_start <= {name for name, channel in keys if channel == 3}
    assert not {"scale", "offset"} & {name for name, _ in keys}
    free = watched(FAMILIES["A2"], detecting=(), trigger=None, signals=(1, 2))
    assert free == [("time_scale", 1)]
    volts = watched(FAMILIES["D"], detecting=(), trigger=None, signals=(1, 2))
    assert set(volts[1:]) == {(name, n) for n in (1, 2) for name in ("scale", "offset")}


@pytest.mark.parametrize(
    ("at", "active"), [(2, False), (3, True), (4, True), (7, True), (8, False)]
)
def test_an_index_may_begin_a_bin_or_a_fifth_of_a_millisecond_away(at, active):
    volts = np.array([0, 0, 0, 0, 5, 5, 5, 0, 0, 0], np.float32)
    for low, high, falling in ((0 * volts, volts, False), (5 - volts, 0 * volts + 5, True)):
        index = Record(low, high, 1e-3, 0.0, clipped=False, paired=True)
        assert is_active_at(index, at, 2.5, falling=falling) is active
    fine = Record(0 * volts, volts, 0.1e-3, 0.0, clipped=False, paired=True)
    assert [is_active_at(fine, n, 5.0, falling=False) for n in (1, 2, 8, 9)] == [
        False,
        True,
        True,
        False,
    ]


PULSE_V = np.array([0, 0, 5, 5, 0, 0, 0, 0], np.float32)


@pytest.mark.parametrize(
    ("family", "start_s", "index_v", "begins"),
    [
        ("A2", -2e-3, PULSE_V, True),
        ("A2", -5e-3, PULSE_V, False),
        ("A2", None, PULSE_V[2:], True),
        ("A2", None, PULSE_V, False),
        ("A2", 1e-3, PULSE_V[2:], True),
        ("A2", 1.1e-3, PULSE_V[2:], False),
        # Without the index's channel, only one that tells its start is believed.
        ("A2", -2e-3, None, True),
        ("A2", None, None, False),
        # Where the trigger stands in the middle, a record that tells no start begins before it.
        ("C2", None, PULSE_V[2:], False),
        ("C2", -2e-3, PULSE_V, True),
    ],
)
def test_a_record_begins_at_the_index_where_both_say_so(family, start_s, index_v, begins):
    def of(volts):
        return Record(volts, volts, 1e-3, start_s, clipped=False, paired=True)

    options = ScopeOptions("usb", edge="rising")
    setup = ScopeSetup(SimpleNamespace(what="scope"), FAMILIES[family], Scope(), options)
    setup._free, setup._level_v = False, 2.5
    assert setup.begins_at_index(of(PULSE_V), None if index_v is None else of(index_v)) is begins
    setup._free = True
    assert not setup.begins_at_index(of(PULSE_V), None)


def test_a_record_s_size_is_that_of_its_extremes():
    found = Record(np.array([-3.0, -1]), np.array([1.0, 2]), 1e-3, None, clipped=False, paired=True)
    assert (found.peak_v, found.swing_v, found.values) == (3.0, 5.0, 4)
    plain = Record(np.array([1.0, 2]), np.array([1.0, 2]), 1e-3, None, clipped=False, paired=False)
    assert (plain.peak_v, plain.swing_v, plain.values) == (2.0, 1.0, 2)
    empty = Record(np.array([]), np.array([]), 1e-3, None, clipped=False, paired=True)
    assert (empty.peak_v, empty.swing_v, empty.values) == (0.0, 0.0, 0)
