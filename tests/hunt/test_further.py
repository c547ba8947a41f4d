"""The spoilers that were written after the analysis do what they say, held against closed forms."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.hunt import patterns, unforeseen
from tests.hunt.campaign import Key, drawn
from tests.hunt.classes import SINGLE
from tests.hunt.further import FURTHER
from tests.hunt.judge import judge
from tests.hunt.live import LIVE
from tests.hunt.patterns import Pattern
from tests.hunt.signal import Conditions, Dose, Kind, Scene, Spoiler, capture, make_scene

BOUNDARY = patterns.boundary(0.12, 0.27)
GROUPS = patterns.alternating(0.15, 6, 0.7, 0.1, 0.05)
TWO_BAND = patterns.two_band(-0.2, 0.2, 0.3)
HEIGHT_V = 0.4


def quiet(pattern: Pattern, kind: Kind = Kind.DIFFERENTIAL, turns: float = 4.2) -> Conditions:
    return Conditions(
        kind=kind,
        has_index=True,
        pattern=pattern,
        rpm=300.0,
        turns=turns,
        snr_db=200.0,
        rate_hz=20e3,
        cycles=1000.0,
        height_v=HEIGHT_V,
        lead=0.1,
    )


def scenes(
    conditions: Conditions, spoiler: Spoiler, magnitude: float, seed: int = 1
) -> tuple[Scene, Scene]:
    """Return what is made without a dose, and with it."""
    plain = make_scene(conditions, (), np.random.default_rng(seed))
    rng = np.random.default_rng(seed)
    return plain, make_scene(conditions, (Dose(spoiler, magnitude),), rng)


def of_turn(scene: Scene, values: NDArray[Any], number: int) -> NDArray[Any]:
    """Return the values of a whole turn of 4000 samples."""
    start = round((number + scene.conditions.lead) * 4000)
    return values[start : start + 4000]


def test_they_stand_apart_from_all_others():
    names = {each.name for each in FURTHER}
    assert len(names) == len(FURTHER) == 19
    assert not names & {each.name for each in SINGLE}
    assert not names & {each.name for each in LIVE.values()}


@pytest.mark.parametrize("name", [each.name for each in FURTHER])
def test_each_makes_a_capture_that_is_repeatable(name: str):
    draw, first = drawn(Key(name, 3, 0))
    _, again = drawn(Key(name, 3, 0))
    assert len(draw.doses) == (0 if name.endswith("near-a-fraction") else 1)
    assert all(np.isfinite(part).all() for part in first.parts)
    assert np.array_equal(first.parts[0], again.parts[0])
    assert first.truth == again.truth


def test_a_formatted_track_is_the_same_each_turn_and_nothing_of_it_is_right():
    _, spoiled = scenes(quiet(BOUNDARY), unforeseen.ordinary_track, 0.1)
    first, second = (of_turn(spoiled, spoiled.wave_v, number) for number in (0, 1))
    assert np.allclose(first, second, atol=1e-6)
    assert np.abs(first).max() <= 1.1 * HEIGHT_V
    size = np.abs(np.fft.rfft(first))
    # Ones are whole cycles and noughts half cycles of a cell, of which a turn has a thousand.
    at_one, at_nought = size[980:1021].max(), size[480:521].max()
    assert min(at_one, at_nought) > 5 * np.median(size)
    said = {"valid": True, "reasons": [], "notes": [], "speed_rpm": None}
    assert judge(said, spoiled.truth).faults() == ("nothing",)
    assert judge({**said, "valid": False}, spoiled.truth).faults() == ()


def test_grain_is_the_same_each_turn_and_as_large_as_it_says():
    plain, spoiled = scenes(quiet(GROUPS), unforeseen.grain, 0.05)
    recorded = np.abs(plain.amplitude_v) > 0.1 * HEIGHT_V
    gain = spoiled.amplitude_v[recorded] / plain.amplitude_v[recorded]
    assert gain.std() == pytest.approx(0.05, rel=0.2)
    first, second = (of_turn(spoiled, spoiled.amplitude_v, number) for number in (0, 1))
    assert np.allclose(first, second, atol=1e-9)
    least, most = spoiled.truth.ratio
    assert least <= GROUPS.ratio <= most
    assert most - least < 0.03


@pytest.mark.parametrize("seed", range(4))
def test_an_older_recording_turns_with_the_disk_and_is_as_large_as_it_says(seed: int):
    plain, spoiled = scenes(quiet(BOUNDARY), unforeseen.older_recording, 0.1, seed)
    assert spoiled.quadrature_v is not None
    more = spoiled.amplitude_v - plain.amplitude_v + 1j * spoiled.quadrature_v
    assert np.abs(more).max() == pytest.approx(0.1 * HEIGHT_V, rel=1e-3)
    first, second = (of_turn(spoiled, more, number) for number in (0, 1))
    assert np.allclose(first, second, atol=1e-9)
    beside = np.abs(np.fft.fftfreq(4000, 1 / 4000)[np.argmax(np.abs(np.fft.fft(first)))])
    assert 14 <= beside <= 251


def test_two_passes_leave_all_heights_and_shift_one_kind_alone():
    plain, spoiled = scenes(quiet(TWO_BAND), unforeseen.two_passes, 0.01)
    assert spoiled.quadrature_v is not None
    size = np.hypot(spoiled.amplitude_v, spoiled.quadrature_v)
    assert np.allclose(size, np.abs(plain.amplitude_v), atol=1e-12)
    is_first = plain.amplitude_v > 0
    assert np.array_equal(spoiled.amplitude_v[is_first], plain.amplitude_v[is_first])
    angle = np.angle(spoiled.amplitude_v + 1j * spoiled.quadrature_v)
    second = of_turn(spoiled, np.unwrap(np.where(is_first, 0.0, angle)), 0)
    rise = np.diff(second)[np.abs(np.diff(second)) < 0.1]
    # A hundredth of a thousand cycles is ten turns of the angle in 4000 samples.
    assert np.median(rise[rise != 0.0]) == pytest.approx(2 * np.pi * 10 / 4000, rel=1e-6)


def test_crossover_takes_from_a_sine_what_its_describing_function_says():
    """Derived: a dead zone d of a sine of 1 leaves 1 − (2/π)·(asin d + d·√(1 − d²))."""
    # At a cycle of four samples each harmonic would fall on the carrier.
    conditions = replace(quiet(GROUPS), cycles=1037.3)
    plain, spoiled = scenes(conditions, unforeseen.crossover, 0.1)
    wave = plain.columns["differential"]
    lost = spoiled.columns["differential"]
    top = np.abs(plain.amplitude_v) > (1 - 1e-9) * HEIGHT_V
    left = (wave * lost)[top].sum() / (wave**2)[top].sum()
    wanted = 1 - 2 / np.pi * (np.arcsin(0.1) + 0.1 * np.sqrt(1 - 0.1**2))
    assert left == pytest.approx(wanted, rel=0.01)


def test_a_supply_rings_twice_in_each_cycle_of_the_mains():
    plain, spoiled = scenes(quiet(BOUNDARY), unforeseen.supply_bursts, 0.5)
    more = np.abs(spoiled.wave_v - plain.wave_v)
    assert 0.1 * HEIGHT_V < more.max() <= 0.5 * HEIGHT_V
    power = np.abs(np.fft.rfft(more**2 - (more**2).mean()))
    hz = np.fft.rfftfreq(len(more), 1 / 20e3)
    slow = hz < 150
    assert hz[slow][power[slow].argmax()] in (pytest.approx(100, abs=1), pytest.approx(120, abs=1))


def test_a_loose_probe_is_open_for_a_while_and_right_for_the_rest():
    plain, spoiled = scenes(quiet(BOUNDARY, Kind.PHASES), unforeseen.loose_probe, 3.0)
    assert np.allclose(plain.columns["plus"], spoiled.columns["plus"])
    same = np.isclose(plain.columns["minus"], spoiled.columns["minus"], rtol=1e-9, atol=0.0)
    assert 0.4 < same.mean() < 1.0


def test_a_level_control_steps_as_fast_as_it_says_and_comes_to_its_target():
    level = np.repeat([0.3, 1.0], 5000)
    gains = unforeseen.controlled(level, 0.6, 4.1e-3)
    ups, downs = (np.flatnonzero(np.diff(gains) == way) for way in (1, -1))
    assert set(np.diff(gains)) == {-1, 0, 1}
    assert np.diff(ups).min() >= 41
    assert np.diff(downs).min() >= 10
    held = 10 ** (0.75 / 20 * gains)
    for place in (4999, 9999):
        assert 0.6 / 1.1 < (level * held)[place] <= 0.6


def test_a_level_control_changes_the_gain_and_not_what_is_right():
    plain, spoiled = scenes(quiet(GROUPS), unforeseen.level_control, 0.1)
    wave = plain.columns["differential"]
    seen = np.abs(wave) > 0.2 * HEIGHT_V
    steps = 20 / 0.75 * np.log10(spoiled.columns["differential"][seen] / wave[seen])
    assert np.allclose(steps, np.round(steps), atol=1e-3)
    assert len(np.unique(np.round(steps))) > 1
    assert spoiled.truth == plain.truth


def test_an_average_loses_what_a_walk_of_its_records_takes():
    """Derived: the mean of a sine whose phase is normal with s falls by exp(−s²/2)."""
    conditions = replace(quiet(GROUPS, turns=2.3), lead=0.0)
    seen = []
    for seed in range(30):
        plain, spoiled = scenes(conditions, unforeseen.scope_average, 0.1, seed)
        late = (plain.turn > 1.45) & (plain.turn < 1.55) & (np.abs(plain.amplitude_v) > 0.3)
        wave = plain.columns["differential"][late]
        seen.append((wave * spoiled.columns["differential"][late]).sum() / (wave**2).sum())
    wanted = np.exp(-((2 * np.pi * 0.1 * 1.5) ** 2) / 2)
    assert np.mean(seen) == pytest.approx(wanted, abs=4 * np.std(seen) / np.sqrt(30) + 0.01)


def test_records_begin_at_two_pulses_and_nobody_knows_the_side():
    conditions = replace(quiet(BOUNDARY, Kind.PAIRS, turns=8.1), has_index=False)
    dose = (Dose(unforeseen.trigger_walks, 0.5),)
    made = capture(conditions, dose, np.random.default_rng(1))
    apart = np.diff(made.starts) * conditions.bin_frames / 2 / 4000
    assert apart[0] % 1.0 == pytest.approx(0.5, abs=0.05)
    said = {
        "valid": True,
        "reasons": [],
        "notes": [],
        "ratio": {"value": BOUNDARY.ratio, "u": 1e-3},
        "balance": {"value": BOUNDARY.balance, "u": 1e-3},
        "speed_rpm": None,
        "sign_known": True,
    }
    assert judge(said, made.truth).faults() == ("side",)
    assert judge({**said, "sign_known": False}, made.truth).faults() == ()


@pytest.mark.parametrize("seed", range(6))
def test_of_one_record_at_the_other_pulse_no_side_is_held(seed: int):
    conditions = replace(quiet(BOUNDARY, Kind.PAIRS, turns=4.6), has_index=False)
    dose = (Dose(unforeseen.trigger_walks, 0.5),)
    made = capture(conditions, dose, np.random.default_rng(seed))
    at_other = (made.starts[0] * conditions.bin_frames / 2 / 4000 - 0.1) % 1.0 > 0.25
    assert made.truth.is_sided
    assert made.truth.balance == (0.0 if at_other else BOUNDARY.balance)


@pytest.mark.parametrize("seconds", [0.01, -0.01])
def test_a_loss_that_nobody_marks_shortens_all_columns_alike(seconds: float):
    plain, spoiled = scenes(quiet(BOUNDARY), unforeseen.unmarked_loss, seconds)
    wave, cut = plain.columns["differential"], spoiled.columns["differential"]
    assert len(cut) == len(spoiled.columns["index"]) == len(wave) - round(seconds * 20e3)
    start = int(np.argmax(cut[: len(wave) - 200] != wave[: len(cut)][: len(wave) - 200]))
    assert np.array_equal(cut[start:], wave[start + round(seconds * 20e3) :])
    assert spoiled.truth == plain.truth


def test_an_index_leaks_a_part_of_a_lobe_and_decays():
    plain, spoiled = scenes(quiet(BOUNDARY, Kind.ENVELOPE), unforeseen.index_droop, 0.05)
    leak = (spoiled.columns["envelope"] - plain.columns["envelope"]) / HEIGHT_V
    first = of_turn(spoiled, leak, 1)[1:]
    assert first[0] == pytest.approx(0.05, rel=0.05)
    fall = np.diff(np.log(first[:300]))
    assert np.allclose(fall, fall[0], atol=1e-6)
    assert 2e-3 < -1 / (fall[0] * 20e3) < 40e-3
