"""A disk's grain, which comes again with each turn, is averaged along the lobes and in u.

Published: the noise of a particulate medium is in proportion to what is recorded (Bertram, Theory
of Magnetic Recording, chapter 10). The signals are invented.
"""

import numpy as np
import pytest

from app.analysis.lobes.grain import of_mean
from tests.app.analysis.lobes.test_spoilers import bells, boundary, drawn, groups, holds, read

PATTERNS = {
    "boundary": boundary(0.1),
    "bells": bells(0.1, width=0.06),
    "groups": groups(0.1, 3, 0.8),
    "one pair, flat": groups(0.1, 1, 0.8),
}


def grained(envelope, part, seed, *, again=True):
    """Return a pattern whose height is uneven by a part at each of 400 places of a turn.

    Where it does not come again each of its turns is uneven in its own way.
    """
    rng = np.random.default_rng(seed)
    knots = 1.0 + part * np.sqrt(1.5) * rng.standard_normal(400 if again else 8 * 400)

    def uneven(turns):
        return envelope(turns) * np.interp(
            turns % (len(knots) / 400), np.arange(len(knots)) / 400, knots, period=len(knots) / 400
        )

    return uneven


@pytest.mark.parametrize("name", ["boundary", "bells", "groups"])
def test_grain_is_held_by_u(name):
    """Of so many disks the errors scatter by what u says, and not by three times that."""
    pulls = []
    for seed in range(8):
        reading = holds(read(drawn(grained(PATTERNS[name], 0.02, seed), turns=6.4)), 0.1, 0.0)
        pulls.append((reading.balance.value - 0.1) / reading.balance.u)
        assert reading.balance.u < 0.01
    assert 0.2 < np.sqrt(np.mean(np.square(pulls))) < 1.6


@pytest.mark.parametrize("name", PATTERNS)
def test_without_grain_there_is_none_in_u(name):
    assert holds(read(drawn(PATTERNS[name], turns=6.4)), 0.1).balance.u < 1e-3


def test_a_lobe_s_own_shape_is_no_grain():
    """It comes again with each turn as well: of lobes that meet no polynomial is left nothing."""
    meeting = drawn(bells(0.1, width=0.14), turns=6.4, snr_db=60.0)
    assert holds(read(meeting), 0.1).balance.u < 1e-4


def test_what_does_not_come_again_is_noise():
    """It scatters from turn to turn, and the mean of more turns has less of it."""
    once, again = (
        read(drawn(grained(boundary(0.1), 0.03, 1, again=each), turns=6.4))
        for each in (False, True)
    )
    assert holds(once, 0.1).balance.u < 0.7 * holds(again, 0.1).balance.u


@pytest.mark.parametrize("reach", [0.05, 0.2])
def test_of_a_flat_top_the_mean_of_so_many_places_has_its_part(reach):
    assert of_mean(reach, 4, 0) == pytest.approx(1.0 / (2 * int(720 * reach) + 1))
