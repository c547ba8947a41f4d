"""The middle of an ordinary track, between flanks that are made of a head's and a track's edges."""

import numpy as np
import pytest

from app.analysis.adjust.flanks import FEW_PLACES, NO_FLANK, NOT_MONOTONIC, ONE_SIDE, centre_of
from app.analysis.messages import fill
from app.analysis.results import Quantity
from app.analysis.uncertainty import covering

STEP_UM = 15.0


def over(head_um, track_um, offset_um):
    """Return what a head has of a track, counted by cells of a tenth of a micrometre."""
    across = np.arange(-1100.0, 1100.0, 0.1)
    track = np.abs(across) < track_um / 2.0
    head = np.abs(across - offset_um) < head_um / 2.0
    return np.count_nonzero(head & track) / min(np.count_nonzero(head), np.count_nonzero(track))


def taken(centre_um, head_um, track_um, noise, seed=1, places=None, gauge_um=0.0):
    """Return places, by a gauge that scatters by `gauge_um`, and what a noisy head reads there."""
    rng = np.random.default_rng(seed)
    places = np.arange(-270.0, 271.0, STEP_UM) if places is None else np.asarray(places)
    true = places + gauge_um * rng.standard_normal(places.size)
    heights = [0.4 * over(head_um, track_um, place - centre_um) for place in true]
    read = [Quantity(h + noise * rng.standard_normal(), noise) for h in heights]
    return [Quantity(float(place), gauge_um) for place in places], read


@pytest.mark.parametrize("centre_um", [-31.0, 0.0, 12.3])
def test_the_middle_is_found_where_a_peak_is_blind(centre_um):
    found = centre_of(*taken(centre_um, 330.0, 155.0, 1e-3))
    assert found.centre_um.value == pytest.approx(centre_um, abs=1.5)
    assert found.wider_um.value == pytest.approx(330.0, abs=3.0)
    assert found.narrower_um == pytest.approx(155.0, abs=6.0)
    # A 155 µm track under a 330 µm head: the amplitude is the same within ±87 µm.
    assert found.blind_um == pytest.approx(175.0, abs=6.0)


def test_head_and_track_may_change_places():
    found = centre_of(*taken(5.0, 155.0, 330.0, 1e-3))
    assert found.centre_um.value == pytest.approx(5.0, abs=1.5)
    assert found.wider_um.value == pytest.approx(330.0, abs=3.0)


def test_a_flank_is_the_line_of_a_reference_library():
    """Places of one u weigh alike, so each flank is the line of numpy.polyfit."""
    places, heights = taken(8.0, 330.0, 300.0, 2e-3, gauge_um=1.0)
    x = np.array([each.value for each in places])
    y = np.array([each.value for each in heights])
    top = np.median(y[y >= 0.95 * y.max()])
    on = (y > 0.3 * top) & (y < 0.8 * top)
    sides = [np.polyfit(x[on & side], y[on & side], 1) for side in (x < 0.0, x > 0.0)]
    low, high = ((top / 2.0 - level) / slope for slope, level in sides)
    found = centre_of(places, heights)
    assert found.centre_um.value == pytest.approx((low + high) / 2.0, abs=1e-9)
    assert found.wider_um.value == pytest.approx(high - low, abs=1e-9)


@pytest.mark.few(1)
@pytest.mark.parametrize(("noise", "gauge_um"), [(4e-3, 0.0), (1e-3, 3.0)])
def test_its_u_holds(noise, gauge_um):
    held = []
    for seed in range(120):
        found = covering(
            centre_of(*taken(8.0, 330.0, 155.0, noise, seed, gauge_um=gauge_um)).centre_um
        )
        held.append(abs(found.value - 8.0) <= 2.0 * found.u)
    # 120 trials of 95.45 %: the share's own standard deviation is 0.019.
    assert np.mean(held) > 0.90


@pytest.mark.parametrize(
    ("places", "why"),
    [
        ((-200.0, -150.0, 0.0, 150.0, 200.0), FEW_PLACES),
        # Steps that are too coarse for the flanks.
        (np.arange(-280.0, 281.0, 140.0), FEW_PLACES),
        (np.arange(-280.0, 281.0, 70.0), FEW_PLACES),
        (np.arange(-80.0, 81.0, 10.0), NO_FLANK),
        (np.arange(-150.0, 271.0, STEP_UM), fill(ONE_SIDE, "outer")),
        (np.arange(-270.0, 1.0, STEP_UM), fill(ONE_SIDE, "inner")),
        # The same place again and again makes no flank.
        ([-180.0] * 4 + [0.0] * 3 + list(np.arange(150.0, 240.0, STEP_UM)), FEW_PLACES),
    ],
)
def test_what_does_not_tell_the_middle_is_refused_in_a_sentence(places, why):
    assert centre_of(*taken(0.0, 330.0, 155.0, 1e-3, places=places)) == why


def test_a_flank_that_is_level_is_none():
    x = [-200.0, -150.0, -120.0, -90.0, 0.0, 90.0, 120.0, 150.0, 200.0]
    y = [0.1, 0.5, 0.5, 0.5, 1.0, 0.5, 0.5, 0.5, 0.1]
    found = centre_of([Quantity(each, 1.0) for each in x], [Quantity(each, 1e-3) for each in y])
    assert found is FEW_PLACES


def test_a_neighbour_is_told_by_an_amplitude_that_rises_again():
    places, heights = taken(0.0, 330.0, 300.0, 1e-3, places=np.arange(-330.0, 331.0, STEP_UM))
    beside = [0.4 * over(330.0, 300.0, place.value - 529.0) for place in places]
    both = [
        Quantity(float(np.hypot(h.value, n)), h.u) for h, n in zip(heights, beside, strict=True)
    ]
    assert centre_of(places, both).text == NOT_MONOTONIC.text
    # Nearer than the neighbour reaches, the same track is measured.
    near = [number for number, place in enumerate(places) if abs(place.value) < 240.0]
    found = centre_of([places[number] for number in near], [both[number] for number in near])
    assert found.centre_um.value == pytest.approx(0.0, abs=2.0)
