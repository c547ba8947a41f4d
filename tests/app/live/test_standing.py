"""How long a reading stands once its source gives nothing more, by times that are handed in."""

from dataclasses import replace

import pytest

from app.analysis import messages
from app.analysis.results import Quantity, Reading
from app.live.view import LOSING, Newest, View, looked_through
from app.stream.acquisition import Phase, Status
from tests.app.stream.fakes import block, info

READING = Reading(valid=True, balance=Quantity(0.1, 0.001), ratio=Quantity(0.8, 0.002))


def viewed(phase, age_s, *, live, missed=0):
    newest = Newest()
    newest.publish_reading(READING, 100.0, None)
    about = replace(info(), live=live)
    newest.count(block(0, 100), missed, 100.0 + age_s)
    status = Status(phase, "", about, 1000, 0, ())
    return newest.view(View(phase=phase), status, about, 100.0 + age_s)


def shown(phase, age_s, *, live):
    return viewed(phase, age_s, live=live).reading


@pytest.mark.parametrize("now_s", [0.1, 100.0])
def test_before_anything_is_found_nothing_is_shown_or_taught(now_s):
    about = info()
    status = Status(Phase.RUNNING, "", about, 0, 0, ())
    seen = Newest().view(View(phase=Phase.RUNNING), status, about, now_s)
    assert (seen.reading, seen.moving, seen.trace) == (None, None, None)
    assert (seen.locked, seen.teaching, seen.strip_s.size) == (False, False, 0)


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


def looked(now, now_s, after_s=0.0):
    return looked_through(now, after_s, now_s)


@pytest.mark.parametrize("age_s", [0.1, 0.6, 3.9])
def test_what_goes_by_the_samples_time_has_a_late_reading_too(age_s):
    now = viewed(Phase.RUNNING, age_s, live=True)
    assert looked(now, 100.0 + age_s) == ((READING, 100.0),)


def test_of_what_is_older_than_any_lag_nothing_comes_any_more():
    now = viewed(Phase.RUNNING, 4.1, live=True)
    assert looked(now, 104.1) == ((None, 104.1),)
    # A scope may give a record but every ten seconds.
    seldom = replace(now, stale_after_s=25.0)
    assert looked(seldom, 104.1) == ((READING, 100.0),)


@pytest.mark.parametrize("phase", [Phase.LOST, Phase.FAILED, Phase.ENDED])
def test_of_what_does_not_run_nothing_comes(phase):
    assert looked(viewed(phase, 0.1, live=True), 100.1) == ((None, 100.1),)


def test_who_looks_seldom_sees_all_that_came_meanwhile():
    newest, about = Newest(), replace(info(), live=True)
    for number in range(40):
        newest.publish_reading(replace(READING, end_index=number), 98.0 + 0.05 * number, None)
    status = Status(Phase.RUNNING, "", about, 1000, 0, ())
    now = newest.view(View(phase=Phase.RUNNING), status, about, 100.0)
    seen = looked(now, 100.0, after_s=98.0 + 0.05 * 9)
    assert [reading.end_index for reading, _ in seen] == list(range(10, 40))
    # Where nothing has come since, the newest is seen once more.
    assert looked(now, 100.0, after_s=seen[-1][1]) == seen[-1:]


@pytest.mark.parametrize(("after_s", "says"), [(0.0, True), (0.6, False)])
def test_where_samples_were_lost_a_reading_of_then_says_so_too(after_s, says):
    newest, about = Newest(), replace(info(), live=True)
    newest.count(block(0, 100), 500, 100.0)
    newest.count(block(100, 100), 500, 100.0 + after_s)
    newest.publish_reading(READING, 100.0 + after_s, None)
    status = Status(Phase.RUNNING, "", about, 1000, 0, ())
    # However late it is looked at.
    now = newest.view(View(phase=Phase.RUNNING), status, about, 102.0)
    ((reading, _),) = looked(now, 102.0)
    assert reading.valid != says
    assert not says or reading.reasons[0].text == LOSING.text
