"""Jobs that a line steps, over a real pseudo-terminal, and the command that tries a line."""

from __future__ import annotations

import io
import json
import shlex
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from app.cli import main
from app.cli.conduct import conduct
from app.cli.prompting import Typist
from app.job.model import Action, CheckName, Do, JobOptions
from app.live.measurement import EnvelopeOptions
from app.live.stepping import Stepping
from app.profiles import load_profile
from instruments.virtual.params import VirtualParams
from instruments.virtual.source import VirtualSource
from instruments.virtual.steps import StepsDevice, VirtualSteps

PROFILE = load_profile("130mm-48tpi")
PEER = Path(__file__).parents[2] / "peers" / "stepper.py"
RUN = f"run:{shlex.quote(sys.executable)} -S {shlex.quote(str(PEER))}?rate=1000"
SIM = "sim:rate=100000&carrier_hz=25000&backlash_um=8&offset_um=20&seed=3"


class Handless(VirtualSource):
    """The virtual drive with a person before it; what steps it is reached by wire."""

    controls = None

    @property
    def hands(self):
        return super().controls


class Person(Typist):
    """Does what is prompted, and presses Enter."""

    def __init__(self, hands, lines=""):
        super().__init__(io.StringIO(lines), io.StringIO())
        self._hands = hands
        self.asks = []

    def prompt(self, ask, where, *, noticed=False):
        super().prompt(ask, where, noticed=noticed)
        self.asks.append(ask)
        if isinstance(ask, Do) and ask.action is Action.SEEK:
            self._hands.select(ask.head)
            self._hands.seek(ask.track)
        elif isinstance(ask, Do):
            # Wherever a line has left the head.
            for stop in ask.stops:
                self._hands.seek(stop)
                self._hands.wait(0.8)
        self._typed.put("\n")

    @property
    def ended(self):
        return False

    @property
    def said(self):
        return self._out.getvalue()


@pytest.fixture
def source():
    made = Handless(
        VirtualParams(
            seed=3, rate=100e3, carrier_hz=25e3, pace="fast", backlash_um=8.0, offset_um=20.0
        ),
        paced=False,
    )
    made.open()
    yield made
    made.close()


def worked(source, device, person):
    options = JobOptions(arrivals=2, turns=5)
    with VirtualSteps(device) as virtual:
        line = Stepping(virtual.address)
        try:
            checks = (CheckName.HYSTERESIS,)
            job = conduct(
                source,
                PROFILE,
                EnvelopeOptions(),
                checks=checks,
                options=options,
                typist=person,
                line=line,
            )
            return job, line.on, line.said
        finally:
            line.close()


@pytest.mark.slow
def test_the_hysteresis_of_both_heads_is_measured_without_a_key(source):
    person = Person(source.hands)
    job, on, said = worked(source, StepsDevice(source.hands), person)
    assert job.closed
    assert [(each.side, each.unit) for each in job.outcomes] == [(0, "µm"), (1, "µm")]
    for outcome in job.outcomes:
        # What is true is the drive's own: 8 µm between its two places of rest.
        assert abs(outcome.value - 8.0) <= max(1.0, 2.0 * outcome.u)
        assert outcome.reason == ""
    # The disk is for the hands; all else went by itself.
    assert [ask.action for ask in person.asks] == [Action.INSERT_ALIGNMENT]
    assert person.said.count("by wire; Enter takes over") == 2 + 8
    assert (on, said) == (True, "")


class Failing(StepsDevice):
    """Does the first three arrivals, and fails at the first step of the fourth."""

    def __init__(self, hands, way):
        super().__init__(hands)
        self._way = way
        self._steps = 0

    def reply(self, words):
        self._steps += words.startswith("step")
        failing = words.startswith("step") and self._steps == 7
        if failing and self._way == "dies":
            raise OSError("the cable")
        if failing and self._way == "lies":
            # It says that it steps, and does not.
            self._hands = SimpleNamespace(step=lambda tracks: None)
        answer = super().reply(words)
        if failing and self._way == "halves":
            return answer[:6]
        return answer.replace(b"k 18", b"k 17") if self._way == "strays" and failing else answer


WAYS_TO_FAIL = {
    "dies": "cannot be read",
    "halves": "half an answer, “ok tra”, came to “step in 2 100”",
    "strays": "“track 17 head 0 motor on” and not “track 18",
    "lies": "the lobes are still there",
}


@pytest.mark.few(1)
@pytest.mark.parametrize(
    "way",
    ["dies", "lies", *(pytest.param(way, marks=pytest.mark.slow) for way in ("halves", "strays"))],
)
def test_a_line_that_fails_in_the_middle_leaves_a_job_that_a_hand_goes_on_with(source, way):
    said = WAYS_TO_FAIL[way]
    person = Person(source.hands)
    job, on, told = worked(source, Failing(source.hands, way), person)
    assert (job.closed, on) == (True, False)
    assert said in told
    assert told.endswith("; go on by hand")
    assert f"{told}\n" in person.said
    # The arrival that failed and all that follow.
    arrivals = [ask for ask in person.asks if ask.noticed]
    assert len(arrivals) == 8 - 3
    for outcome in job.outcomes:
        assert abs(outcome.value - 8.0) <= max(1.0, 2.0 * outcome.u)


@pytest.mark.slow
def test_a_hand_takes_over_with_a_key_and_gives_back_with_a_word(source):
    class Relieved(Person):
        """Takes over at the second arrival by wire, does that, and gives the next one back."""

        def say(self, text):
            super().say(text)
            if "by wire" in text and self.said.count("by wire; Enter takes over") == 3:
                self._typed.put("\n")

        def prompt(self, ask, where, *, noticed=False):
            super().prompt(ask, where, noticed=noticed)
            if sum(each.noticed for each in self.asks if isinstance(each, Do)) == 2:
                self._typed.get()
                self._typed.put("wire\n")

    person = Relieved(source.hands)
    job, on, _ = worked(source, StepsDevice(source.hands), person)
    assert job.closed
    assert on
    assert len([ask for ask in person.asks if ask.noticed]) == 2
    for outcome in job.outcomes:
        assert abs(outcome.value - 8.0) <= max(1.0, 2.0 * outcome.u)


def test_a_job_on_the_virtual_drive_by_its_own_line(capsys):
    words = ["job", SIM, "--steps", "sim:", "--drive", "7", "--checks", "hysteresis", "--no-book"]
    assert main.run([*words, "--arrivals", "1", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [(each["check"], each["side"]) for each in found["checks"]] == [
        ("hysteresis", 0),
        ("hysteresis", 1),
    ]


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("usb:", "is none of a line that steps"),
        ("serial:/dev/no-such-port", "port “/dev/no-such-port” cannot be opened"),
    ],
)
def test_a_job_does_not_begin_with_a_line_that_is_not_there(capsys, address, said):
    words = ["job", SIM, "--steps", address, "--drive", "7", "--no-book"]
    assert main.run(words) == 2
    assert said in capsys.readouterr().err


def tried(monkeypatch, capsys, address, typed):
    monkeypatch.setattr("sys.stdin", io.StringIO(typed))
    status = main.run(["steps", address])
    return status, capsys.readouterr()


def test_a_line_is_tried_by_hand(monkeypatch, capsys):
    typed = "seek 16\n\nstep out 2 100\nwrite\nwhere\n"
    status, told = tried(monkeypatch, capsys, RUN, typed)
    lines = [line.partition("   (")[0] for line in told.out.splitlines()]
    assert status == 0
    assert lines == [
        "it answers; track ? head 0 motor off",
        "track 16 head 0 motor off",
        "track 14 head 0 motor off",
        "“write” is no command of the line; use motor on or off, head 0 or 1, seek N, step in or "
        "out N RATE, where",
        "track 14 head 0 motor off",
    ]


def test_a_wrong_answer_ends_the_trial(monkeypatch, capsys):
    status, told = tried(monkeypatch, capsys, RUN, "step in 2 100\nwhere\n")
    assert status == 3
    assert "it refused “step in 2 100”" in told.out
    assert len(told.out.splitlines()) == 2


def test_nobody_answers(monkeypatch, capsys):
    status, told = tried(monkeypatch, capsys, "run:no-such-stepper", "")
    assert status == 2
    assert "“no-such-stepper” cannot be started" in told.err
