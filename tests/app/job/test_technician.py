"""What the virtual technician's hands do at the virtual drive for each thing that a job asks."""

from __future__ import annotations

import pytest

from app.job import messages
from app.job.checks.gauge import PLACE
from app.job.model import Action, Do, Enter
from app.job.technician import Technician


class Hands:
    """Writes down what is done with the drive."""

    def __init__(self, write_protected=False, at_track_zero=False, gauge_um=0.0):
        self.gauge_um = gauge_um
        self.write_protected = write_protected
        self.at_track_zero = at_track_zero
        self.done = []

    def __getattr__(self, name):
        return lambda *given: self.done.append((name, *given))


DONE = {
    Action.CONFIRM: [],
    Action.CLEAN_HEADS: [],
    Action.PROVE_PROTECT: [("insert", "protected"), ("write", "2F")],
    Action.INSERT_ALIGNMENT: [("insert", "alignment")],
    Action.INSERT_SCRATCH: [("insert", "scratch")],
    Action.INSERT_COVERED: [("insert", "alignment")],
    Action.ZERO_GAUGE: [("zero_gauge",)],
    Action.SEEK: [("select", 1), ("seek", 34)],
    Action.RESEAT: [("reseat",)],
    # Track numbers grow inward.
    Action.ARRIVE_FROM_OUTSIDE: [("step", -2), ("wait", 0.8), ("step", 2)],
    Action.ARRIVE_FROM_INSIDE: [("step", 2), ("wait", 0.8), ("step", -2)],
    Action.PUSH_OUTWARD: [("push", True)],
    Action.PUSH_INWARD: [("push", False)],
    Action.WAIT: [("let_pass", -1.5)],
    Action.TRIM_SPEED: [("trim_speed", -1.5)],
    Action.LOOSEN: [("loosen",)],
    Action.NUDGE: [("nudge", -1.5)],
    Action.TIGHTEN: [("tighten",)],
    Action.SEAL: [],
    Action.WRITE_1F: [("write", "1F")],
    Action.WRITE_2F: [("write", "2F")],
}


@pytest.mark.parametrize("action", Action)
def test_what_is_asked_is_done_and_nothing_else(action):
    hands = Hands()
    via = {Action.ARRIVE_FROM_OUTSIDE: 32, Action.ARRIVE_FROM_INSIDE: 36}.get(action)
    ask = Do(action, messages.SEEK, amount=-1.5, track=34, head=1, via=via)
    assert Technician(hands).answer(ask) is True
    assert hands.done == DONE[action]


def test_what_is_asked_without_a_track_or_an_amount_is_nought():
    hands = Hands()
    Technician(hands).answer(Do(Action.SEEK, messages.SEEK))
    Technician(hands).answer(Do(Action.NUDGE, messages.NUDGE_TRIAL))
    assert hands.done == [("select", 0), ("seek", 0), ("nudge", 0.0)]


@pytest.mark.parametrize(
    ("key", "seen"),
    [
        # The standards' tests are made at 23 °C and 50 % (from memory).
        ("room temperature", 23.0),
        ("chassis temperature", 23.0),
        ("relative humidity", 50.0),
        ("minutes since power-on", 30.0),
        ("stop clearance", None),
    ],
)
def test_the_virtual_drive_stands_in_a_room(key, seen):
    assert Technician(Hands()).answer(Enter(key, messages.SEEK)) == seen


def test_the_gauge_is_read_where_it_stands():
    assert Technician(Hands(gauge_um=-41.0)).answer(Enter(PLACE, messages.WHERE_BY_GAUGE)) == -41.0


@pytest.mark.parametrize(("state", "word"), [(True, "yes"), (False, "no")])
def test_what_is_seen_of_the_drive_is_told(state, word):
    refused = Enter("write refused", messages.WAS_IT_REFUSED)
    on_zero = Enter("track-zero sensor on track 2", messages.SENSOR_ON)
    technician = Technician(Hands(write_protected=state, at_track_zero=not state))
    other = {"yes": "no", "no": "yes"}[word]
    assert (technician.answer(refused), technician.answer(on_zero)) == (word, other)
