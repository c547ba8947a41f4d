"""The panel against a scope that keeps what it is told, or makes something else of it."""

from dataclasses import replace

import pytest

from instruments.scope.links import Deadline, Garbled
from instruments.scope.options import ScopeOptions
from instruments.scope.panel import EXTERNAL, Panel
from instruments.scope.session import ScopeIdentity, ScopeSession
from instruments.scope.shelf import load_families
from instruments.source import SourceUnavailable

A2 = load_families()["A2"]
SOON = Deadline(60.0)


class Scope:
    """Answers ``NAME?`` with what came last as ``NAME value``, after `makes` of it."""

    what, terminator = "scope", "\n"

    def __init__(self, makes=lambda value: value, **state):
        self.makes = makes
        self.state = {":CHAN1:SCAL": "1", ":CHAN2:SCAL": "2", ":TRIG:SWE": "AUTO", **state}
        self.state.setdefault(":ACQ:MDEP", "12000")
        self.sent = []
        self.queue = []

    def send(self, command, deadline):
        self.sent.append(command)
        name, _, value = command.partition(" ")
        self.state[name] = self.makes(value)

    def ask(self, query, deadline):
        if query == ":SYST:ERR?":
            return self.queue.pop(0) if self.queue else '0,"No error"'
        return self.state[query.removesuffix("?")]


def panel(scope, family=A2):
    memory = {}
    return Panel(scope, family, memory), memory


@pytest.mark.parametrize(
    ("now", "wanted", "sent"),
    [
        # Within a thousandth it stands already.
        ("1", 1.0009, []),
        ("1", 0.9991, []),
        ("1", 1.0011, [":CHAN1:SCAL 1.001E+00"]),
        ("1", 0.5, [":CHAN1:SCAL 5.000E-01"]),
        ("0", 0.0, []),
        ("1e-6", 0.0, [":CHAN1:SCAL 0.000E+00"]),
    ],
)
def test_a_number_is_sent_where_it_does_not_stand(now, wanted, sent):
    scope = Scope(**{":CHAN1:SCAL": now})
    made, memory = panel(scope)
    taken = made.set_number("scale", wanted, SOON, 1)
    assert scope.sent == sent
    assert taken == pytest.approx(wanted, abs=1.1e-3)
    # What is not changed is not put back either.
    assert memory == ({("scale", 1): now} if sent else {})


@pytest.mark.parametrize(
    ("factor", "near", "kept"),
    [
        (1.029, None, True),
        (1.031, None, False),
        (0.971, None, True),
        (0.969, None, False),
        (1.4, 0.5, True),
        (1.6, 0.5, False),
    ],
)
def test_what_a_scope_makes_of_a_number_must_be_near(factor, near, kept):
    scope = Scope(lambda value: f"{factor * float(value)}")
    made, _ = panel(scope)
    more = {} if near is None else {"near": near}
    if kept:
        assert made.set_number("scale", 0.5, SOON, 2, **more) == pytest.approx(0.5 * factor)
        return
    words = r"does not take :CHAN2:SCAL 5.000E-01 \(:CHAN2:SCAL\? says 0\.\d+\)"
    with pytest.raises(SourceUnavailable, match=words):
        made.set_number("scale", 0.5, SOON, 2, **more)


def test_of_nought_the_difference_counts_by_itself():
    made, _ = panel(Scope(lambda value: "0.02", **{":CHAN1:OFFS": "1"}))
    assert made.set_number("offset", 0.0, SOON, 1) == 0.02
    made, _ = panel(Scope(lambda value: "0.04", **{":CHAN1:OFFS": "1"}))
    with pytest.raises(SourceUnavailable, match="does not take"):
        made.set_number("offset", 0.0, SOON, 1)


def test_a_word_is_sent_where_it_does_not_stand_and_confirmed():
    scope = Scope()
    made, memory = panel(scope)
    made.set_word("sweep", "auto", SOON)
    assert scope.sent == []
    made.set_word("sweep", "normal", SOON, 3)
    assert scope.sent == [":TRIG:SWE NORM"]
    # The whole scope has one: it is remembered once, as it was found.
    assert memory == {("sweep", 1): "AUTO"}
    scope.state[":TRIG:EDGE:SOUR"] = "CHAN1"
    made.set_word("trigger_source", "channel", SOON, source=3)
    assert scope.sent[-1] == ":TRIG:EDGE:SOUR CHAN3"
    scope.makes, scope.state[":TRIG:SWE"] = (lambda value: "AUTO"), "AUTO"
    with pytest.raises(SourceUnavailable, match=r":TRIG:SWE NORM \(:TRIG:SWE\? says AUTO\)"):
        made.set_word("sweep", "normal", SOON)


def test_what_was_changed_is_put_back_the_newest_first():
    scope = Scope()
    made, memory = panel(scope)
    made.set_number("scale", 0.5, SOON, 1)
    made.set_word("sweep", "normal", SOON)
    made.set_number("scale", 0.7, SOON, 2)
    made.set_number("scale", 0.6, SOON, 1)
    scope.sent.clear()
    made.restore(SOON)
    assert scope.sent == [
        ":RUN",
        ":CHAN2:SCAL 2.000000E+00",
        ":TRIG:SWE AUTO",
        ":CHAN1:SCAL 1.000000E+00",
    ]
    assert len(memory) == 3


def test_memory_is_given_while_the_scope_runs_and_the_first_that_it_takes():
    scope = Scope(lambda value: value if value == "60000" else "24000000")
    scope.state[":ACQ:MDEP"] = "24000000"
    made, memory = panel(scope)
    made.ready(SOON)
    made.set_memory("live", SOON)
    assert scope.sent == [":RUN", ":ACQ:MDEP 120000", ":ACQ:MDEP 60000"]
    scope.sent.clear()
    made.set_memory("live", SOON)
    assert scope.sent == []
    made.restore(SOON)
    # Newest first: what hangs on the channels that are on comes after them.
    assert scope.sent == [":RUN", ":ACQ:MDEP 24000000", ":TRIG:SWE AUTO"]
    assert memory == {("sweep", 1): "AUTO", ("memory", 1): "24000000"}


def test_what_others_left_is_set_and_remembered():
    scope = Scope(**{":TIM:MODE": "ROLL", ":TIM:DEL:ENAB": "1", ":CHAN2:INV": "1"})
    made, memory = panel(scope)
    made.hold(SOON)
    made.hold(SOON, 2)
    assert scope.sent == [":TIM:MODE MAIN", ":TIM:DEL:ENAB 0", ":CHAN2:INV 0"]
    assert memory == {("time_mode", 1): "ROLL", ("zoom", 1): "1", ("inverted", 2): "1"}


def test_an_answer_that_would_not_be_taken_is_sent_as_what_is():
    older = load_families()["A2-older"]
    scope = Scope(**{":TRIG:EDGE:SOUR": "CH2"})
    made, memory = panel(scope, older)
    made.set_word("trigger_source", "channel", SOON, source=2)
    assert scope.sent == []
    made.remember("trigger_source", 1, SOON)
    assert memory == {("trigger_source", 1): "CHAN2"}
    made.set_number("scale", 0.5, SOON, 1)
    assert scope.sent == [":CHAN1:SCAL 0.500000000"]


def test_a_probe_s_gain_is_one_over_its_factor():
    made, _ = panel(Scope(**{"CH1:PRO:GAIN": "100.0000E-3"}), load_families()["B"])
    assert made.probe(1, SOON) == pytest.approx(10)


def test_the_external_input_has_a_head_of_its_own():
    setting = replace(A2.settings["trigger_level"], ask=":{s}:LEV?", command=":{s}:LEV {value}")
    family = replace(
        A2,
        settings={**A2.settings, "trigger_level": setting},
        heads={"channel": "CH{n}", "external": "EXT"},
    )
    made, _ = panel(Scope(), family)
    assert made.query("trigger_level", EXTERNAL) == ":EXT:LEV?"
    assert made.query("trigger_level", 2) == ":CH2:LEV?"


def test_probe_factors_and_answers_that_are_no_number():
    made, _ = panel(Scope(**{":CHAN2:PROB": "10", ":CHAN1:PROB": "ten"}))
    assert made.probe(2, SOON) == 10.0
    with pytest.raises(Garbled, match=r"the answer to :CHAN1:PROB\? cannot be read"):
        made.probe(1, SOON)
    assert panel(Scope(), replace(A2, probe=""))[0].probe(2, SOON) is None
    assert made.has("detect")
    assert not made.has("reference")


def test_errors_are_taken_until_there_is_none_and_forty_at_most():
    scope = Scope()
    made, _ = panel(scope)
    scope.queue = ['-113,"x"', '-222,"y"']
    assert made.errors(SOON) == ['-113,"x"', '-222,"y"']
    scope.queue = ['-350,"Queue overflow"'] * 50
    assert len(made.errors(SOON)) == 40
    assert panel(scope, replace(A2, errors=""))[0].errors(SOON) == []


class Sending(Scope):
    """Sends the rest of a long record for some time yet, and answers behind it."""

    def __init__(self, still):
        super().__init__()
        self.still = still
        self.pause_s = 0.0
        self.closed = False

    def resync(self):
        self.still -= 1
        if self.still > 0:
            raise Garbled("it does not stop sending")

    def ask(self, query, deadline):
        if self.still > 0:
            raise Garbled("bytes came before it was asked")
        return "A,B,C,D" if query == "*IDN?" else super().ask(query, deadline)

    def close(self):
        self.closed = True


@pytest.mark.parametrize(("still", "kept"), [(0, False), (4, False), (10**9, True)])
def test_the_panel_is_put_back_while_a_long_record_is_still_coming(still, kept):
    scope = Sending(still)
    memory = {("sweep", 1): "AUTO"}
    session = ScopeSession(scope, ScopeOptions("nowhere"), memory)
    session._panel, session._family = Panel(scope, A2, memory), A2
    session.identity = ScopeIdentity("A,B,C,D", "A", "B")
    session.leave(Deadline(0.05 if kept else 60.0))
    assert ":TRIG:SWE AUTO" in scope.sent
    assert scope.closed
    # What nobody has confirmed stays remembered for the next connection.
    assert bool(memory) == kept


def test_the_first_that_is_put_back_waits_as_long_as_the_scope_is_deaf(monkeypatch):
    waited = []
    monkeypatch.setattr(Deadline, "pause", lambda _, seconds: waited.append(seconds))
    scope = Sending(0)
    scope.pause_s = 0.15
    session = ScopeSession(scope, ScopeOptions("nowhere"), {("sweep", 1): "AUTO"})
    session._panel, session._family = Panel(scope, A2, session._memory), A2
    session.leave(Deadline(60.0))
    assert waited == [0.15]
    assert ":TRIG:SWE AUTO" in scope.sent
