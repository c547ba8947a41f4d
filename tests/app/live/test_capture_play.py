"""When each part of a capture is due, by a clock that nobody waits for."""

import threading
from types import SimpleNamespace

import pytest

from app.live.capture_play import CapturePlay


@pytest.fixture
def clock():
    """The time, and what happens at moments: waiting alone moves it on."""
    return SimpleNamespace(now_s=100.0, later=[])


@pytest.fixture
def play(clock, monkeypatch):
    def wait(seconds):
        clock.now_s += seconds
        for due in [each for each in clock.later if each[0] <= clock.now_s]:
            clock.later.remove(due)
            due[1]()

    made = CapturePlay(lambda: clock.now_s)
    monkeypatch.setattr(made._changed, "wait", wait)
    return made


def due_s(play, clock, *ends_s):
    """Return when each part is due."""
    found = []
    for end_s in ends_s:
        assert play.wait_for(end_s, threading.Event())
        found.append(round(clock.now_s, 6))
    return found


def test_it_plays_in_real_time(play, clock):
    assert due_s(play, clock, 100.5, 101.0, 102.0) == [100.5, 101.0, 102.0]
    assert play.behind_s == 0.0


def test_what_is_late_is_due_at_once_and_nothing_is_shifted(play, clock):
    clock.now_s = 103.0
    assert due_s(play, clock, 100.5, 104.0) == [103.0, 104.0]


def test_while_it_stands_still_nothing_is_due_and_the_rest_comes_as_much_later(play, clock):
    assert due_s(play, clock, 101.0) == [101.0]
    play.pause(True)
    clock.later.append((106.0, lambda: play.pause(False)))
    (next_s,) = due_s(play, clock, 101.5)
    # Five seconds it stood.
    assert next_s == pytest.approx(106.5, abs=0.11)
    assert play.behind_s == pytest.approx(5.0, abs=0.11)
    assert not play.paused


def test_it_tells_for_how_long_it_has_stood(play, clock):
    assert play.stood_s(101.0) == 0.0
    play.pause(True)
    play.pause(True)
    assert play.stood_s(103.0) == 3.0
    play.pause(False)
    assert play.stood_s(104.0) == 0.0


def test_a_paused_one_goes_on_by_as_much_as_is_asked_for_and_stands_again(play, clock):
    due_s(play, clock, 101.0)
    play.pause(True)
    play.run_ahead(0.2)
    assert due_s(play, clock, 101.1, 101.2) == [101.0, 101.0]
    # What comes then is of the moment at which it stands.
    assert 101.2 + play.behind_s == pytest.approx(101.0)
    clock.later.append((104.0, lambda: play.run_ahead(0.1)))
    (next_s,) = due_s(play, clock, 101.3)
    assert next_s == pytest.approx(104.0, abs=0.11)


def test_a_playing_one_runs_ahead_and_then_plays_on_from_there(play, clock):
    due_s(play, clock, 101.0)
    play.run_ahead(10.0)
    play.run_ahead(10.0)
    assert due_s(play, clock, 111.0, 121.0, 121.5) == [101.0, 101.0, 101.5]


def test_who_is_to_end_waits_no_more(play):
    play.pause(True)
    ended = threading.Event()
    ended.set()
    assert not play.wait_for(1e9, ended)
