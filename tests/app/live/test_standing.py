"""How long a reading stands once its source gives nothing more, by times that are handed in."""

from dataclasses import replace

import pytest

from app.analysis import messages
from app.analysis.results import Quantity, Reading
from app.live.view import Newest, View
from app.stream.acquisition import Phase, Status
from tests.app.stream.fakes import info

READING = Reading(valid=True, balance=Quantity(0.1, 0.001), ratio=Quantity(0.8, 0.002))


def shown(phase, age_s, *, live):
    newest = Newest()
    newest.publish_reading(READING, 100.0, None)
    about = replace(info(), live=live)
    status = Status(phase, "", about, 1000, 0, ())
    return newest.view(View(phase=phase), status, about, 100.0 + age_s).reading


@pytest.mark.parametrize("age_s", [0.0, 0.4, 1e6])
def test_a_captures_last_reading_stands(age_s):
    assert shown(Phase.ENDED, age_s, live=False) == READING


@pytest.mark.parametrize(("age_s", "stands"), [(0.0, True), (0.4, True), (0.6, False)])
def test_that_of_a_stream_which_has_ended_is_soon_stale(age_s, stands):
    """A program that pipes samples in and ends leaves a head that a hand goes on moving."""
    reading = shown(Phase.ENDED, age_s, live=True)
    assert reading.valid == stands
    assert stands or reading.reasons == (messages.STALE,)


@pytest.mark.parametrize("phase", [Phase.LOST, Phase.FAILED])
@pytest.mark.parametrize("live", [True, False])
def test_of_what_is_gone_nothing_stands(phase, live):
    assert not shown(phase, 0.0, live=live).valid
