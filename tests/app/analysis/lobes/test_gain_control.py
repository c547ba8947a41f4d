"""A gain that an automatic level control steps is told from all else that changes the heights."""

import numpy as np
import pytest

from app.analysis import messages
from app.analysis.lobes.analyser import Analyser
from app.analysis.results import Geometry
from tests.app.analysis.lobes.test_spoilers import (
    FIRST,
    RATE_HZ,
    bells,
    boundary,
    drawn,
    groups,
    holds,
    read,
)
from tests.app.analysis.running import block_of, setup_for
from tests.hunt.unforeseen import controlled

STEP = 10.0 ** (0.75 / 20.0)
"""Published: Wolfson WM8976, ALC: the gain goes up and down by 0.75 dB."""
GRID_S = 1e-4
"""So often the hunt's model decides."""


def stepping(envelope, turns, every_s):
    """Return the gain of a control that steps up once in so many seconds at most.

    It is the hunt's, which was written by someone who had not read the analysis.
    """
    times_s = np.arange(round(turns * 0.2 / GRID_S)) * GRID_S
    steps = controlled(np.abs(envelope(5.0 * times_s - 0.1 - FIRST)), 0.8, every_s)
    return lambda time_s: STEP ** steps[np.minimum((time_s / GRID_S).astype(int), len(steps) - 1)]


PATTERNS = {
    "two lobes": bells(0.1, width=0.1),
    "boundary": boundary(0.1),
    "groups": groups(0.1, 4, 0.8),
    "two pairs of groups": groups(0.1, 2, 0.7),
}


@pytest.mark.parametrize(
    ("name", "every_s"),
    # A quicker one levels the tops of two lobes, which parks as well; a slower one steps in gaps.
    [
        *[("two lobes", every_s) for every_s in (0.02, 0.05, 0.2)],
        *[("boundary", every_s) for every_s in (0.05, 0.1, 0.2)],
        *[("groups", every_s) for every_s in (0.002, 0.005, 0.02)],
        *[("two pairs of groups", every_s) for every_s in (0.005, 0.02, 0.05, 0.2)],
    ],
)
@pytest.mark.few(6)
def test_an_automatic_level_parks(name, every_s):
    envelope = PATTERNS[name]
    reading = read(drawn(envelope, gain=stepping(envelope, 9.4, every_s), turns=9.4))
    assert not reading.valid
    assert messages.GAIN_CONTROLLED in reading.reasons


@pytest.mark.parametrize(
    "gain",
    [
        lambda time: 1.0 + 0.1 * np.sin(2.0 * np.pi * 5.0 * time),
        lambda time: np.exp(-0.8 * time),
        lambda time: np.exp(0.8 * time),
        lambda time: np.where(time > 0.83, STEP, 1.0),
        lambda time: 1.0 + 0.03 * np.sin(2.0 * np.pi * 50.0 * time),
    ],
    ids=["once a turn", "a fade", "a rise", "one jump", "hum on the supply"],
)
@pytest.mark.parametrize("name", PATTERNS)
@pytest.mark.few(8)
def test_another_change_of_the_gain_is_none(name, gain):
    reading = read(drawn(PATTERNS[name], gain=gain, turns=9.4))
    assert messages.GAIN_CONTROLLED not in reading.reasons


@pytest.mark.parametrize("name", ["boundary", "groups"])
@pytest.mark.parametrize("snr_db", [12.0, 18.0, 26.0])
def test_two_jumps_in_noise_are_two(name, snr_db):
    """There and back: noise lets each stand out beside its place as well."""

    def gain(time_s):
        return np.where((time_s > 0.436) & (time_s < 1.136), 1.3, 1.0)

    for seed in (0, 1):
        reading = read(drawn(PATTERNS[name], gain=gain, turns=9.4, snr_db=snr_db, seed=seed))
        assert messages.GAIN_CONTROLLED not in reading.reasons


@pytest.mark.parametrize("snr_db", [12.0, 40.0])
@pytest.mark.parametrize("pairs", [2, 4, 6, 9, 18])
def test_groups_of_any_number_are_read(pairs, snr_db):
    holds(read(drawn(groups(0.08, pairs, 0.85), snr_db=snr_db, turns=9.4)), 0.08)


def test_the_needle_parks_and_comes_back():
    envelope = boundary(0.1)
    gain = stepping(envelope, 8.4, 0.05)
    samples = drawn(envelope, gain=lambda time: np.where(time < 1.6, gain(time), 1.0), turns=20.4)
    analyser = Analyser(setup_for(("differential", "index"), RATE_HZ))
    courses = {"controlled": [], "after": []}
    step = round(0.01 * RATE_HZ)
    for start in range(0, len(samples), step):
        analyser.push(block_of(samples[start : start + step], start))
        time_s = start / RATE_HZ
        if 1.0 < time_s < 1.6:
            courses["controlled"].append(analyser.reading)
        elif time_s > 3.9:
            courses["after"].append(analyser.reading)
    assert {messages.GAIN_CONTROLLED in each.reasons for each in courses["controlled"]} == {True}
    assert all(each.valid for each in courses["after"])
    assert analyser.reading.geometry is Geometry.BOUNDARY
