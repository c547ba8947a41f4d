"""The line that steps: one that answers, and each way in which it can fail to."""

from __future__ import annotations

import shlex
import sys
import threading
from pathlib import Path

import pytest

from instruments.source import AddressError, SourceLost, SourceUnavailable
from instruments.steps.line import StepsFault, StepsLine, steps_line
from instruments.steps.link import StepLink
from instruments.steps.protocol import GREETING, WHERE, Standing, motor, seek, select, step
from instruments.virtual.steps import StepsDevice, VirtualSteps

PEER = Path(__file__).parents[2] / "peers" / "stepper.py"
RUN = f"run:{shlex.quote(sys.executable)} -S {shlex.quote(str(PEER))}"
HELLO = f"{GREETING}\n".encode()
UNKNOWN = b"ok track ? head 0 motor off\n"
GREETED = (HELLO, UNKNOWN)


class Scripted(StepLink):
    """Gives in turn what it is told to; time goes by only while somebody waits for it."""

    def __init__(self, *replies):
        self.replies = list(replies)
        self.sent = []
        self.come = b""
        self.now_s = 0.0
        self.closed = 0

    def clock(self):
        return self.now_s

    def send(self, data):
        self.sent.append(data)
        if self.replies:
            reply = self.replies.pop(0)
            if isinstance(reply, Exception):
                raise reply
            self.come += reply

    def receive(self, timeout_s):
        if not self.come:
            self.now_s += timeout_s
        # A byte or two at a time, as a slow port gives them.
        given, self.come = self.come[:2], self.come[2:]
        return given

    def close(self):
        self.closed += 1


def line_of(*replies, greet=GREETED):
    link = Scripted(*greet, *replies)
    line = StepsLine("serial:port", 100.0, lambda: link, link.clock)
    return line, link


def test_a_line_is_greeted_and_asked():
    line, link = line_of(b"ok track 16 head 0 motor off\r\n", b"ok track 18 head 0 motor off\n")
    line.open()
    assert line.standing == Standing(None, 0, False)
    assert line.ask(seek(16)) == Standing(16, 0, False)
    assert line.ask(step(2, line.rate_hz)).track == 18
    assert link.sent == [b"hello\n", b"where\n", b"seek 16\n", b"step in 2 100\n"]
    line.close()
    line.close()
    assert (line.is_open, link.closed) == (False, 1)


def test_a_board_that_restarts_is_greeted_again_and_what_it_says_then_is_passed_over():
    greet = (b"boot\n", b"", f"\xff\xfe\n{GREETING}\n".encode("latin-1"), UNKNOWN)
    line, link = line_of(greet=greet)
    line.open()
    assert link.sent == [b"hello\n"] * 3 + [b"where\n"]
    # The greeting that the first hello may still bring is no answer to anything.
    link.replies = [f"{GREETING}\nok track ? head 1 motor off\n".encode()]
    assert line.ask(select(1)).head == 1


STEP = "“step in 2 100”"
WAYS_TO_FAIL = [
    (b"", f"no answer came to {STEP} within 2.02 s"),
    (b"ok tra", f"half an answer, “ok tra”, came to {STEP} within 2.02 s"),
    (b"ok track 19 head 0 motor on\n", f"did something else than {STEP}"),
    (b"?!\n", f"answered {STEP} with “[?]!”"),
    (b"\xc3\x28\x00\x07\n", f"answered {STEP} with “"),
    (b"x" * 500, "more than 120 bytes in one line"),
    (b"no there is no drive\n", "refused"),
    (SourceLost("the port cannot be read (gone)"), r"the port cannot be read \(gone\)"),
]


@pytest.mark.parametrize(("reply", "said"), WAYS_TO_FAIL)
def test_a_wrong_answer_is_said_in_one_sentence_and_ends_the_line(reply, said):
    line, link = line_of(b"ok track 16 head 0 motor off\n", reply)
    line.open()
    line.ask(seek(16))
    with pytest.raises(StepsFault, match=f"steps “serial:port”: .*{said}") as fault:
        line.ask(step(2, 100.0))
    assert fault.value.moved
    assert "\n" not in str(fault.value)
    assert (line.is_open, link.closed) == (False, 1)
    with pytest.raises(StepsFault, match="it is not open"):
        line.ask(WHERE)


def test_what_is_late_does_not_answer_the_next_command():
    line, link = line_of(b"")
    line.open()
    with pytest.raises(StepsFault, match="no answer"):
        line.ask(seek(16))
    link.come = b"ok track 16 head 0 motor off\n"
    link.replies = [*GREETED, b"ok track 20 head 0 motor off\n"]
    line.open()
    assert line.ask(seek(20)).track == 20


def test_what_is_said_without_being_asked_ends_the_line():
    line, _ = line_of(b"ok track 16 head 0 motor off\nok track 17 head 0 motor off\n")
    line.open()
    line.ask(seek(16))
    with pytest.raises(StepsFault, match="said “ok track 17 head 0 motor off” without being asked"):
        line.ask(motor(True))


@pytest.mark.parametrize(
    ("greet", "said"),
    [
        ((), "nobody answered “hello” with “evenlobe steps 1” within 6 s$"),
        ((b"evenlobe steps 2\n",), "within 6 s; it said “evenlobe steps 2”"),
        # A board that does not forget its track would trust what a hand may have changed.
        ((HELLO, b"ok track 16 head 0 motor on\n"), "and not “track [?]”"),
        ((HELLO, b"hm\n"), "greeted, it answered “where” with “hm”"),
    ],
)
def test_nobody_of_the_right_kind(greet, said):
    line, link = line_of(greet=greet)
    with pytest.raises(StepsFault, match=said) as fault:
        line.open()
    assert not fault.value.moved
    assert link.closed == 1


def test_a_link_that_cannot_be_had():
    def refuse():
        raise SourceUnavailable("port “x” cannot be opened")

    line = StepsLine("serial:x", 100.0, refuse)
    with pytest.raises(StepsFault, match="steps “serial:x”: port “x” cannot be opened"):
        line.open()


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("", "is none of a line that steps; write serial:PORT or run:COMMAND"),
        ("sim:", "write serial:PORT or run:COMMAND"),
        ("serial:", "names no port"),
        ("serial:/dev/x?bits=7", "“bits” is not an option here; known: rate, baud"),
        ("serial:/dev/x?rate=5", "“rate” is “5”; it must lie between 10 and 1000"),
        ("serial:/dev/x?baud=1.5e3.", "“baud” is"),
        ("run:", "names no program"),
        ("run:prog 'open", "not closed"),
        ("run:prog?baud=9600", "“baud” is not an option here"),
    ],
)
def test_addresses_that_cannot_be_used(address, said):
    with pytest.raises(AddressError, match=said):
        steps_line(address)


def test_the_rate_of_an_address_is_the_one_of_the_steps():
    assert steps_line("serial:/dev/x?rate=50&baud=9600").rate_hz == 50.0
    assert steps_line("run:prog a?b=c").rate_hz == 100.0


def test_a_port_that_is_not_there():
    with pytest.raises(StepsFault, match="port “/dev/no-such-port” cannot be opened"):
        steps_line("serial:/dev/no-such-port").open()


def test_thirty_lines_of_another_program_answer_it():
    line = steps_line(f"{RUN}?rate=1000")
    line.open()
    assert line.ask(motor(True)) == Standing(None, 0, True)
    assert line.ask(seek(16)).track == 16
    assert line.ask(step(-2, line.rate_hz)).track == 14
    assert line.ask(select(1)) == Standing(14, 1, True)
    with pytest.raises(StepsFault, match=r"refused “seek 40” \(the last track is 39"):
        line.ask(seek(40))
    assert not line.is_open
    names = [thread.name for thread in threading.enumerate()]
    assert not {"pipe-reader", "program-listener"} & set(names)


@pytest.mark.parametrize("words", ["", GREETING, "x" * 9], ids=["empty", "greeting", "other"])
def test_a_program_that_never_stops_talking_is_given_up(words):
    code = f"import sys\nwhile True: sys.stdout.write({words + chr(10)!r} * 100000)"
    line = steps_line(f"run:{shlex.quote(sys.executable)} -S -c {shlex.quote(code)}")
    with pytest.raises(StepsFault, match=r"does not stop talking: \d+ bytes came at once") as said:
        line.open()
    assert len(str(said.value)) < 400
    assert not line.is_open


@pytest.mark.parametrize("sign", [b"\0", b"\x1b", b"\t", b"\x7f", b"\r", b"\xa0"])
def test_what_is_no_text_is_no_space_between_the_words_of_an_answer(sign):
    line, _ = line_of(b"ok track ? head 0" + sign + b"motor on\n")
    line.open()
    with pytest.raises(StepsFault, match="head 0\ufffdmotor on”, which is no answer"):
        line.ask(motor(True))


def test_a_line_may_end_as_terminals_end_it():
    line, _ = line_of(b"ok track ? head 0 motor on\r\n")
    line.open()
    assert line.ask(motor(True)) == Standing(None, 0, True)


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("import sys; sys.exit('no drive here')", "it ended with status 1 .it wrote: no drive her"),
        ("pass", "it ended"),
    ],
)
def test_a_program_that_ends(code, said):
    line = steps_line(f"run:{shlex.quote(sys.executable)} -S -c {shlex.quote(code)}")
    with pytest.raises(StepsFault, match=said):
        line.open()


def test_a_program_that_is_not_there():
    with pytest.raises(StepsFault, match="“no-such-stepper” cannot be started"):
        steps_line("run:no-such-stepper").open()


class Hands:
    """Writes down what is done with the drive."""

    def __init__(self):
        self.done = []

    def __getattr__(self, name):
        return lambda *given: self.done.append((name, *given))


def test_the_virtual_drive_is_stepped_over_a_real_terminal():
    hands = Hands()
    with VirtualSteps(StepsDevice(hands)) as virtual:
        line = steps_line(virtual.address)
        line.open()
        line.ask(motor(True))
        line.ask(select(1))
        line.ask(seek(34))
        line.ask(step(-2, line.rate_hz))
        line.ask(step(2, line.rate_hz))
        assert line.ask(WHERE) == Standing(34, 1, True)
        # The track is unknown at first: the stop at track 0 is met before.
        assert hands.done == [("select", 1), ("seek", 0), ("seek", 34), ("step", -2), ("step", 2)]
        with pytest.raises(StepsFault, match="the tracks are 0 to 39"):
            line.ask(step(20, line.rate_hz))
        line.open()
        with pytest.raises(StepsFault, match="the track is not known; seek one first"):
            line.ask(step(2, line.rate_hz))


def test_a_terminal_that_goes_away():
    class Pulled(StepsDevice):
        def reply(self, words):
            if words.startswith("seek"):
                raise OSError("the cable")
            return super().reply(words)

    with VirtualSteps(Pulled(Hands())) as virtual:
        line = steps_line(virtual.address)
        line.open()
        with pytest.raises(StepsFault, match=r"steps “serial:.*cannot be read") as fault:
            line.ask(seek(16))
    assert fault.value.moved
