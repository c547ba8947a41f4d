"""Which recording it is, and which patterns are none that can be read."""

import numpy as np
import pytest

from app.analysis import messages
from app.analysis.envelope.series import EnvelopeSeries
from app.analysis.lobes.character import _lowest_in
from app.analysis.lobes.heights import TURN_BINS, MeanTurn, Window
from app.analysis.lobes.layout import Layout, _flat_width
from app.analysis.lobes.turns import holds_two
from app.analysis.results import Geometry, Side, Sign
from tests.app.analysis.running import BARE, BRISK, RAW, analyse, measured
from tests.synthesis import Signal

RATE_HZ, CARRIER_HZ = 250e3, 61e3
ONE = ("differential", "index")
QUARTER = 0.5 * np.pi


def drawn(envelope, *, snr_db=35.0, turns=4.4, index=True):
    """Return the reading of a pattern given by the (complex) envelope over the disk's angle."""
    time = np.arange(round(turns * 0.2 * RATE_HZ)) / RATE_HZ
    angle = 2.0 * np.pi * (5.0 * time - 0.1)
    wave = np.real(envelope(angle) * np.exp(2j * np.pi * CARRIER_HZ * time))
    sigma = 10.0 ** (-snr_db / 20.0) / np.sqrt(2.0)
    signal = 0.4 * (wave + sigma * np.random.default_rng(1).standard_normal(len(time)))
    pulse = np.where(angle / (2.0 * np.pi) % 1.0 < 0.02, 5.0, 0.0)
    samples = np.stack([signal, pulse], axis=1)
    if not index:
        return analyse(samples[:, :1], RATE_HZ, ONE[:1])
    return analyse(samples, RATE_HZ, ONE)


def bell(angle, middle, width=0.3):
    return np.exp(-0.5 * (np.angle(np.exp(1j * (angle - middle))) / width) ** 2)


@pytest.mark.parametrize("names", [RAW, BARE], ids=["index", "no index"])
@pytest.mark.parametrize("ratio", [1.0, 0.85, 0.7, 0.5, 0.3, 0.12])
@pytest.mark.parametrize("geometry", ["two-band", "bell", "squared"])
@pytest.mark.few(6)
def test_two_bands_are_told_at_every_ratio(geometry, ratio, names):
    signal = Signal(**BRISK, geometry=geometry, ratio=ratio, snr_db=35, turns=4.4)
    reading, made = measured(signal, names)
    assert reading.valid
    assert reading.geometry is Geometry.TWO_BAND
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.002 + 4.0 * made.bound(4))


@pytest.mark.parametrize("names", [RAW, BARE], ids=["index", "no index"])
@pytest.mark.parametrize("ratio", [1.0, 0.95, 0.85, 0.7, 0.5, 0.3])
@pytest.mark.few(6)
def test_a_boundary_is_told_at_every_ratio(ratio, names):
    signal = Signal(**BRISK, geometry="boundary", ratio=ratio, snr_db=35, turns=4.4)
    reading, made = measured(signal, names)
    assert reading.valid
    assert reading.geometry is Geometry.BOUNDARY
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.002 + 4.0 * made.bound(4))


@pytest.mark.parametrize("names", [RAW, BARE], ids=["index", "no index"])
@pytest.mark.parametrize("ratio", [1.0, 0.85, 0.6, 0.4, 0.15])
@pytest.mark.parametrize("pairs", [3, 6])
@pytest.mark.few(5)
def test_groups_are_counted_at_every_ratio(pairs, ratio, names):
    # 4 to 36 groups a turn, preferably 6 or 12: US patent 4 084 201, claims 3 and 4.
    # A group's middle stands off the index, so that first and second are plain.
    signal = Signal(
        **BRISK,
        geometry="alternating",
        pairs=pairs,
        ratio=ratio,
        snr_db=35,
        turns=4.4,
        centre=0.5 / (2 * pairs),
    )
    reading, made = measured(signal, names)
    assert reading.valid
    assert reading.geometry is Geometry.ALTERNATING
    assert messages.fill(messages.PAIRS, pairs) in reading.notes
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.002 + 4.0 * made.bound(4))
    if names is RAW:
        assert reading.balance.value == pytest.approx(made.balance, abs=0.002)


def test_a_profile_that_names_geometry_and_pairs_is_believed():
    signal = Signal(**BRISK, snr_db=35, turns=3.4, geometry="alternating", centre=1 / 24, ratio=0.5)
    reading, made = measured(signal, geometry="alternating", pairs=6)
    assert reading.geometry is Geometry.ALTERNATING
    assert reading.ratio.value == pytest.approx(made.ratio, abs=0.004)


@pytest.mark.parametrize("first_taller", [True, False])
@pytest.mark.parametrize("geometry", ["two-band", "boundary"])
def test_with_one_lobe_there_is_no_reading_but_the_side(geometry, first_taller):
    signal = Signal(
        **BRISK, geometry=geometry, ratio=0.04, first_taller=first_taller, snr_db=35, turns=4.4
    )
    reading, _ = measured(signal)
    assert not reading.valid
    side = Side.OUTWARD if first_taller else Side.INWARD
    words = messages.ONE_LOBE_OUTWARD if first_taller else messages.ONE_LOBE_INWARD
    assert reading.reasons == (words,)
    assert reading.side is side
    assert reading.ratio is None


def test_one_lobe_without_an_index_tells_no_side():
    reading, _ = measured(Signal(**BRISK, ratio=0.04, snr_db=35, turns=4.4), BARE)
    assert not reading.valid
    assert reading.reasons == (messages.ONE_LOBE,)
    assert reading.side is None


@pytest.mark.parametrize("index", [True, False])
@pytest.mark.parametrize("offset", [0.1, 0.2, 0.5, 0.9])
def test_a_beat_off_the_line_is_not_read_as_even(offset, index):
    # Two tones, one cycle a turn above and below the carrier, of sizes 1 + x/S and 1 - x/S.
    reading = drawn(
        lambda angle: np.cos(angle - QUARTER) + 1j * offset * np.sin(angle - QUARTER), index=index
    )
    assert not reading.valid
    assert reading.ratio is None
    assert reading.geometry is None


@pytest.mark.parametrize("index", [True, False])
@pytest.mark.parametrize("fill", [0.1, 0.2, 0.4, 0.6])
@pytest.mark.few(4)
def test_filled_nulls_are_no_pattern(fill, index):
    reading = drawn(
        lambda angle: np.maximum(bell(angle, QUARTER) + 0.85 * bell(angle, 3 * QUARTER), fill),
        index=index,
    )
    assert not reading.valid
    assert reading.ratio is None
    assert fill > 0.5 or messages.NULLS_FILLED in reading.reasons


@pytest.mark.parametrize("index", [True, False])
@pytest.mark.parametrize("height", [0.15, 0.4, 0.8])
def test_a_third_lobe_is_no_pattern(height, index):
    reading = drawn(
        lambda angle: (
            bell(angle, QUARTER)
            + 0.85 * bell(angle, 3 * QUARTER)
            + height * bell(angle, 2 * QUARTER, 0.12)
        ),
        index=index,
    )
    assert not reading.valid
    assert reading.ratio is None


@pytest.mark.parametrize("shift_deg", [5, 10, 20, 30, 45, 60, 90])
def test_lobes_spaced_unequally_are_read_right_or_not_at_all(shift_deg):
    shift = np.deg2rad(shift_deg)
    reading = drawn(lambda angle: bell(angle, QUARTER) + 0.85 * bell(angle, 3 * QUARTER + shift))
    assert reading.valid or shift_deg > 30
    if reading.valid:
        assert reading.ratio.value == pytest.approx(0.85, abs=0.005)


@pytest.mark.parametrize("rest", [0.2, 0.3, -0.3j])
def test_wide_nulls_with_a_rest_in_them_are_filled_and_no_beat_s(rest):
    reading = drawn(lambda angle: bell(angle, QUARTER) + 0.85 * bell(angle, 3 * QUARTER) + rest)
    assert reading.reasons == (messages.NULLS_FILLED,)


def test_four_lobes_of_four_heights_are_no_pattern():
    reading = drawn(
        lambda angle: (
            bell(angle, 0.3, 0.2)
            + 0.8 * bell(angle, 0.3 + QUARTER, 0.2)
            + 0.6 * bell(angle, 0.3 + 2 * QUARTER, 0.2)
            + 0.9 * bell(angle, 0.3 + 3 * QUARTER, 0.2)
        )
    )
    assert not reading.valid
    assert reading.ratio is None


def test_a_lobe_may_reach_over_the_index():
    for centre in (0.03, 0.47, 0.97):
        reading, made = measured(Signal(**BRISK, snr_db=30, turns=4.4, centre=centre))
        assert reading.sign is Sign.KNOWN
        assert abs(reading.balance.value) == pytest.approx(made.balance, abs=0.002)


def test_a_group_as_wide_as_its_gap_is_one_level_and_a_narrower_flat_one_is_two():
    assert not holds_two(np.repeat([1.0, 0.0], 32), flat=True)
    assert holds_two(np.repeat([1.0, 0.0], [31, 33]), flat=True)


@pytest.mark.parametrize("limit", [0.98, 1.0])
def test_a_cut_of_the_taller_lobe_by_the_heads_width_is_in_u(limit):
    def cut(angle):
        wave = np.cos(angle - 1.5) + 0.03
        return np.clip(wave, -1.03 * limit, 1.03 * limit)

    reading = drawn(cut)
    assert reading.valid
    assert abs(reading.ratio.value - 0.97 / 1.03) < 3.0 * reading.ratio.u
    assert (reading.ratio.u > 0.005) == (limit < 1.0)


def test_a_dip_in_a_group_is_no_gap_beside_one_that_is():
    dipped = np.repeat([0.0, 1.0, 0.9, 1.0], [4, 18, 24, 18])
    assert not holds_two(dipped, flat=True)
    assert holds_two(np.maximum(dipped, 0.8), flat=True)


def test_flat_groups_are_fitted_within_their_edges():
    place = (np.arange(TURN_BINS) + 0.5) / TURN_BINS
    away = np.abs((6.0 * place) % 1.0 - 0.5)
    # Level up to 0.3 of the way from middle to middle, and down to nothing within 0.1 more.
    groups = np.clip((0.4 - away) / 0.1, 0.0, 1.0)
    groups *= np.where(6.0 * place % 2.0 < 1.0, 1.0, 0.4)
    turn = MeanTurn(groups**2, np.full(TURN_BINS, 1e-3), 0.0, EnvelopeSeries(1), ())
    layout = Layout(3, (np.arange(6) + 0.5) / 6, Window(0.9, 0))
    assert _flat_width(turn, layout) == pytest.approx(0.6, abs=0.03)


@pytest.mark.parametrize("pairs", [3, 6])
def test_groups_that_no_level_fits_are_read_close_to_their_middles(pairs):
    def peaked(angle):
        place = angle / np.pi * pairs
        away = np.abs(place - np.floor(place + 0.5))
        flat = np.clip((0.42 - away) / 0.04, 0.0, 1.0)
        return flat * (1.0 - 0.8 * away) * np.where(np.floor(place + 0.5) % 2 == 0, 1.08, 0.92)

    reading = drawn(peaked, snr_db=60.0)
    assert reading.valid
    heights = sorted(of.value / 0.4 for of in (reading.first_v, reading.second_v))
    # On average within a tenth of a group's way to the next, 0.04 below the middle.
    assert heights == pytest.approx([0.96 * 0.92, 0.96 * 1.08], rel=0.01)


@pytest.mark.parametrize("turned", [0.0, 0.35])
def test_noise_in_empty_nulls_fills_them_on_neither_side(turned):
    rng, mean, u = np.random.default_rng(3), [], []
    for _ in range(60):
        # The power of noise, its mean taken out, over three turns; u as of what was seen.
        noise = 1e-3 * (rng.gamma(3.0, 1.0 / 3.0, TURN_BINS) - 1.0)
        seen_u = np.sqrt(4.0 * (np.maximum(noise, 0.0) + 5e-4) * 5e-4 / 3.0)
        turn = MeanTurn(noise, seen_u, 1e-3, EnvelopeSeries(1), ())
        power, power_u = _lowest_in(turn, turned, 0.2, False, 1.0)
        mean.append(power)
        u.append(power_u)
    assert abs(np.mean(mean)) < 3.0 * np.std(mean) / np.sqrt(len(mean))
    assert np.mean(u) == pytest.approx(np.std(mean), rel=0.3)


@pytest.mark.parametrize("dip", [0.0, 0.015])
def test_a_lobe_that_dips_less_than_shows_is_less_certain(dip):
    def dipped(angle):
        wave = np.cos(angle - 1.5)
        first, second = np.maximum(wave - 0.2, 0.0), np.maximum(-wave - 0.2, 0.0)
        # Beyond its width the overlap with a band falls again.
        return np.minimum(first, 2.0 * (0.8 - dip) - first) - 0.4 * second

    reading = drawn(dipped)
    assert reading.valid
    assert (reading.ratio.u > 0.003) == (dip > 0.0)
    assert abs(reading.ratio.value - 0.4 / (1.0 - dip / 0.8)) < max(0.002, 3.0 * reading.ratio.u)


@pytest.mark.parametrize("flat", [True, False])
def test_one_level_all_round_is_no_two_groups(flat):
    assert not holds_two(np.full(48, 0.3), flat=flat)


def test_a_gap_that_an_index_smears_from_turn_to_turn_is_no_second_level():
    """One group and a gap, moved by a tenth of both, root mean square: the mean of many turns."""
    place = (np.arange(4800) + 0.5) / 4800
    moved = 0.1 * np.random.default_rng(3).standard_normal(400)
    folded = np.array([(np.abs((place - late) % 1.0 - 0.5) < 0.39) for late in moved]).mean(axis=0)
    folded = folded.reshape(48, 100).mean(axis=1)
    assert folded.min() > 0.1
    assert not holds_two(folded, flat=True)


def test_two_levels_with_hardly_a_gap_are_two_groups():
    folded = np.repeat([1.0, 0.7], 24)
    folded[[0, 23, 24, 47]] = 0.6
    assert holds_two(folded, flat=True)
