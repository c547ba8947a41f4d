"""The model's truth, its samples and its spoilers, held against closed forms."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import bilinear, lfilter

from tests.hunt import patterns, spoilers
from tests.hunt.campaign import CLASSES, Key, drawn
from tests.hunt.draws import Frame
from tests.hunt.signal import Conditions, Dose, Kind, capture, make_scene, mean_rpm
from tests.hunt.spoilers import high_pass

EVERY = (
    patterns.boundary(0.12, 0.27),
    patterns.two_band(-0.2, 0.2, 0.3),
    patterns.alternating(0.15, 6, 0.7, 0.1, 0.05),
    patterns.humps(0.1, 0.2, 0.06, 0.45),
)


def ideal(pattern: patterns.Pattern, kind: Kind = Kind.DIFFERENTIAL) -> Conditions:
    return Conditions(
        kind=kind,
        has_index=True,
        pattern=pattern,
        rpm=300.0,
        turns=4.2,
        snr_db=200.0,
        rate_hz=100e3,
        cycles=5021.0,
        height_v=0.4,
        lead=0.1,
    )


@pytest.mark.parametrize("pattern", EVERY, ids=lambda each: each.geometry)
def test_demodulated_tops_have_the_ratio_that_is_said_to_be_true(pattern: patterns.Pattern):
    conditions = ideal(pattern)
    made = capture(conditions, (), np.random.default_rng(1))
    wave = made.parts[0][:, 0].astype(float)
    turn = -0.1 + 5.0 * np.arange(len(wave)) / 100e3
    # Synchronous demodulation, averaged over some forty cycles of the carrier by a Hann window.
    product = 2 * wave * np.sin(2 * np.pi * 5021.0 * turn)
    hann = np.hanning(160)
    size = np.convolve(product, hann / hann.sum(), "same")[200:-200]
    seen = sorted((size.max(), -size.min()))
    assert seen[1] == pytest.approx(0.4, rel=2e-3)
    assert seen[0] / seen[1] == pytest.approx(made.truth.ratio[0], abs=2e-3)
    assert np.sign(size.max() + size.min()) == np.sign(made.truth.balance)


@pytest.mark.parametrize(("ratio", "degrees"), [(0.75, 163.57), (0.9, 173.97), (0.5, 141.06)])
def test_nulls_of_a_boundary_stand_where_the_cosine_has_them(ratio: float, degrees: float):
    """Derived: k·|e·cos θ − x| is nothing at acos(x/e), and x/e is (1 − r)/(1 + r)."""
    balance = (1 - ratio) / (1 + ratio)
    pattern = patterns.boundary(-balance, 0.25)
    phase = np.arange(1_000_000) / 1_000_000
    is_first = pattern.amplitude(phase) > 0
    assert 360 * is_first.mean() == pytest.approx(degrees, abs=0.01)
    assert pattern.ratio == pytest.approx(ratio)


def test_bands_with_a_gap_have_heights_in_step_with_the_way_of_the_head():
    """Derived: A and B are w − d ± x, so a ratio of 0.75 stands for x/S = 0.142 86."""
    pattern = patterns.two_band(0.142_857, 0.25, 0.3)
    phase = np.arange(100_000) / 100_000
    seen = pattern.amplitude(phase)
    assert -seen.min() / seen.max() == pytest.approx(0.75, abs=1e-5)
    assert pattern.ratio == pytest.approx(0.75, abs=1e-5)


def test_an_uneven_disk_makes_opposite_lobes_uneven_and_groups_not():
    def gain(phase: patterns.Floats) -> patterns.Floats:
        return 1 + 0.05 * np.cos(2 * np.pi * (phase - 0.25))

    one_pair = patterns.boundary(0.0, 0.25).modulated(gain)
    assert one_pair.balance == pytest.approx(0.05, abs=1e-4)
    groups = patterns.alternating(0.0, 6, 0.7, 0.1, 0.05).modulated(gain)
    assert groups.balance == pytest.approx(0.0, abs=1e-4)


def test_noise_has_the_power_that_the_ratio_to_the_tone_says():
    conditions = replace(ideal(EVERY[0]), snr_db=10.0)
    silent = make_scene(replace(conditions, snr_db=200.0), (), np.random.default_rng(1))
    noisy = make_scene(conditions, (), np.random.default_rng(1))
    noise = noisy.columns["differential"] - silent.columns["differential"]
    assert 0.5 * 0.4**2 / noise.var() == pytest.approx(10.0, rel=0.02)


def test_phases_make_the_differential_again():
    conditions = ideal(EVERY[0], Kind.PHASES)
    scene = make_scene(conditions, (), np.random.default_rng(1))
    both = scene.columns["plus"] - scene.columns["minus"]
    assert np.allclose(both, scene.wave_v, atol=1e-9)


@pytest.mark.parametrize("kind", [Kind.PAIRS, Kind.PHASE_PAIRS])
def test_pairs_are_the_extremes_of_their_bins_and_records_begin_at_the_index(kind: Kind):
    conditions = ideal(EVERY[0], kind)
    scene = make_scene(conditions, (), np.random.default_rng(1))
    made = capture(conditions, (), np.random.default_rng(1))
    assert made.roles == ("differential", "index")
    start = int(np.ceil(0.1 / 5.0 * 100e3))
    signals = [scene.columns[role][start : start + 100] for role in scene.columns][:-1]
    low, high = signals[0].min(), signals[0].max()
    if kind is Kind.PHASE_PAIRS:
        low, high = low - signals[1].max(), high - signals[1].min()
    assert made.parts[0][0, 0] == pytest.approx(low, rel=1e-6)
    assert made.parts[0][1, 0] == pytest.approx(high, rel=1e-6)
    assert made.rate_hz == 2000.0


def test_wow_leaves_the_mean_speed_to_the_edges_of_the_index():
    conditions = replace(ideal(EVERY[0]), rpm=303.0)
    wow = (Dose(spoilers.wow, 0.01),)
    scene = make_scene(conditions, wow, np.random.default_rng(3))
    starts_s = scene.pulses[:, 0]
    edges = len(starts_s) - 1
    assert mean_rpm(scene) == pytest.approx(60 * edges / (starts_s[-1] - starts_s[0]), rel=1e-9)
    assert scene.truth.rpm == mean_rpm(scene) != 303.0


def test_a_capacitor_is_the_bilinear_form_of_its_textbook_response():
    """Reference: scipy.signal's bilinear transformation of s/(s + ω), prewarped at the corner."""
    rate_hz, corner_hz = 8000.0, 100.0
    omega = 2 * rate_hz * np.tan(np.pi * corner_hz / rate_hz)
    ahead, behind = bilinear([1.0, 0.0], [1.0, omega], rate_hz)
    signal = np.sin(2 * np.pi * 30.0 * np.arange(8000) / rate_hz)
    wanted = np.asarray(lfilter(ahead, behind, np.tile(signal, 2)))[8000:]
    assert np.allclose(high_pass(signal, corner_hz, rate_hz)[400:], wanted[400:], atol=1e-3)


@pytest.mark.parametrize("name", ["wow", "few-codes", "coupled", "mixed"])
def test_a_draw_is_the_same_each_time_and_no_other_is_like_it(name: str):
    _, first = drawn(Key(name, 4, 0))
    _, again = drawn(Key(name, 4, 0))
    _, other = drawn(Key(name, 4, 1))
    assert first.truth == again.truth
    assert np.array_equal(first.parts[0], again.parts[0], equal_nan=True)
    assert first.truth != other.truth


def test_classes_have_names_of_their_own_and_draw_what_they_say():
    assert len(CLASSES) > 120
    for name, each in CLASSES.items():
        draw = each.draw(np.random.default_rng(1))
        assert each.name == name.removeprefix("live:")
        assert each.about
        assert 0 < draw.conditions.pattern.ratio <= 1


def test_a_frame_keeps_to_its_ranges():
    frame = Frame(balance=(0.1, 0.2), snr_db=(20.0, 30.0), noisy_share=0.0, turns=(3.0, 4.0))
    for seed in range(50):
        conditions = frame.draw(np.random.default_rng(seed))
        assert 0.1 - 1e-9 <= abs(conditions.pattern.balance) <= 0.2 + 1e-9
        assert 20.0 <= conditions.snr_db <= 30.0
        assert 3.05 <= conditions.turns <= 4.95
