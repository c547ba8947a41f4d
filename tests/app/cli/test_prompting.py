"""What a person types, and what it means."""

from __future__ import annotations

import io
import os
import time

import pytest

from app.analysis.results import Message
from app.cli.prompting import Back, Said, Skip, Typist, asked, read_reply
from app.job.model import Action, Do, Enter

DO = Do(Action.LOOSEN, Message("Loosen the screws."))
NUMBER = Enter("room temperature", Message("Temperature of the room."), "°C", 0.0, 50.0)
CHOICE = Enter("write refused", Message("Did it refuse?"), choices=("yes", "no"))


@pytest.mark.parametrize(
    ("ask", "line", "reply"),
    [
        (DO, "\n", Said(True)),
        (DO, "back\n", Back()),
        (DO, "skip: screw is sheared\n", Skip("screw is sheared")),
        (DO, "SKIP:  no time ", Skip("no time")),
        (NUMBER, "\n", Said(None)),
        (NUMBER, "21,5\n", Said("21.5")),
        (CHOICE, "Yes\n", Said("yes")),
        (CHOICE, "Back", Back()),
    ],
)
def test_a_line_is_understood(ask, line, reply):
    assert read_reply(ask, line) == reply


@pytest.mark.parametrize(("line", "words"), [("d\n", "press Enter"), ("skip:\n", "the reason too")])
def test_a_line_that_says_nothing_is_answered_by_a_sentence(line, words):
    assert words in read_reply(DO, line)


def test_prompts_say_what_to_do_and_how_to_answer():
    out = io.StringIO()
    typist = Typist(io.StringIO("\n"), out)
    typist.prompt(DO, "lock, work")
    typist.prompt(CHOICE, "care, as found")
    said = out.getvalue()
    assert "Loosen the screws." in said
    assert "Enter when done" in said
    assert "sees it by itself" not in said
    assert "yes or no" in said
    typist.prompt(DO, "adjust, work", noticed=True)
    assert "Enter when done; the tool sees it by itself" in out.getvalue()


def test_the_end_of_the_input_is_noticed_after_the_last_line():
    typist = Typist(io.StringIO("x\n\n"), io.StringIO())
    replies = []
    until_s = time.monotonic() + 60.0
    while not typist.ended and time.monotonic() < until_s:
        reply = typist.reply(DO)
        if reply is not None:
            replies.append(reply)
    assert replies == [Said(True)]
    assert typist.ended


def wait_until(look):
    until_s = time.monotonic() + 60.0
    while not look():
        assert time.monotonic() < until_s, "it did not come"
        time.sleep(0.005)


def test_what_a_person_typed_before_the_question_is_no_answer():
    ours, theirs = os.openpty()
    out = io.StringIO()
    with open(ours, "wb", buffering=0) as keys, open(theirs, encoding="utf-8") as terminal:
        typist = Typist(terminal, out)
        typist.prompt(DO, "lock, work")
        keys.write(b"\n")
        replies = []
        wait_until(lambda: (reply := typist.reply(DO)) is not None and not replies.append(reply))
        # One press too many, before the question that it would answer.
        keys.write(b"\n")
        wait_until(lambda: not typist._typed.empty())
        typist.prompt(CHOICE, "care, as found")
        assert typist.reply(CHOICE) is None
        assert "is not taken" in out.getvalue()
        keys.write(b"no\n")
        wait_until(lambda: (reply := typist.reply(CHOICE)) and not replies.append(reply))
        assert replies == [Said(True), Said("no")]
        keys.write(b"\x04")
        wait_until(lambda: typist.ended)


def test_a_script_answers_ahead():
    out = io.StringIO()
    typist = Typist(io.StringIO("\nno\n"), out)
    wait_until(lambda: typist._ended)
    typist.prompt(DO, "lock, work")
    assert typist.reply(DO) == Said(True)
    typist.prompt(CHOICE, "care, as found")
    assert typist.reply(CHOICE) == Said("no")
    assert "is not taken" not in out.getvalue()


def test_what_was_typed_before_a_question_is_no_answer_to_it(monkeypatch):
    ours, theirs = os.openpty()
    with open(theirs, encoding="utf-8") as terminal:

        class Prompted(io.StringIO):
            """Types once the question stands there."""

            def write(self, text):
                os.write(ours, b"n\n")
                return super().write(text)

        monkeypatch.setattr("sys.stdin", terminal)
        monkeypatch.setattr("sys.stderr", Prompted())
        os.write(ours, b"y\n")
        assert asked("play? (y/n)") == "n"
    os.close(ours)
