"""A person at a terminal: what is typed, and what it replies to what a job asks.

Threads: one, named *typing*, waits for lines and puts them into a queue, so that the source is read
on while the person works.
"""

from __future__ import annotations

import queue
import sys
import threading
from dataclasses import dataclass
from typing import TextIO

from app.job.model import (
    Answer,
    Do,
    Enter,
)
from app.job.units import answer_meant, ask_in
from app.numbers import Unit, words_shown

_BACK = "back"
_WIRE = "wire"
_SKIP = "skip:"
INSIST = "insist"


@dataclass(frozen=True, slots=True)
class Skip:
    """Leave the check out."""

    reason: str


@dataclass(frozen=True, slots=True)
class Back:
    """Take the last answer back."""


@dataclass(frozen=True, slots=True)
class ByWire:
    """Let the line step again."""


@dataclass(frozen=True, slots=True)
class Insist:
    """It was done, though nothing was seen of it."""


@dataclass(frozen=True, slots=True)
class Said:
    """An answer."""

    value: Answer


Reply = Said | Skip | Back | ByWire | Insist


def asked(words: str) -> str:
    """Ask a question at the terminal and return what is typed; what was typed before is dropped."""
    _drop_typed()
    sys.stderr.write(f"{words} > ")
    sys.stderr.flush()
    return sys.stdin.readline().strip()


def _drop_typed() -> None:
    """Drop what waits at a terminal; lines that are no terminal's are all meant."""
    if not sys.stdin.isatty():
        return
    if sys.platform == "win32":
        import msvcrt

        while msvcrt.kbhit():
            msvcrt.getwch()
        return
    import termios

    termios.tcflush(sys.stdin, termios.TCIFLUSH)


def read_reply(ask: Do | Enter, line: str) -> Reply | str:
    """Return what a typed line replies to an ask, or a sentence when it is no reply.

    Nothing means done, or that an entry is left open.
    """
    words = line.strip()
    if words.lower() == _BACK:
        return Back()
    if words.lower().startswith(_SKIP):
        reason = words[len(_SKIP) :].strip()
        return Skip(reason) if reason else "write the reason too, as skip: no such sensor"
    if isinstance(ask, Do):
        if words.lower() == _WIRE and ask.stops:
            return ByWire()
        if words.lower() == INSIST:
            return Insist()
        return f"“{words}” is no answer; press Enter once it is done" if words else Said(True)
    if not words:
        return Said(None)
    if ask.choices:
        return Said(words.lower())
    return Said(words.replace(",", "."))


class Typist:
    """A person at a terminal, who types `lines` and reads prompts in `out`, both in `unit`."""

    def __init__(self, lines: TextIO, out: TextIO, unit: Unit = Unit.UM) -> None:
        self._out = out
        self._unit = unit
        # A script's answers are all there before the first question; a person's are not.
        self._is_person = lines.isatty()
        self._typed: queue.SimpleQueue[str] = queue.SimpleQueue()
        # Written by the typing thread alone:
        self._ended = False
        threading.Thread(target=self._listen, args=(lines,), name="typing", daemon=True).start()

    @property
    def ended(self) -> bool:
        """Whether nothing more can be typed, and all that was has been read."""
        return self._ended and self._typed.empty()

    def say(self, text: str) -> None:
        """Write a line."""
        self._out.write(words_shown(text, self._unit) + "\n")
        self._out.flush()

    def prompt(self, ask: Do | Enter, where: str, *, noticed: bool = False) -> None:
        """Write what is asked for, how it is answered, and whether it is noticed without a word.

        What a person typed before was meant for something else and is not taken.
        """
        if self._is_person and self._forget():
            self.say("What was typed before this was asked is not taken.")
        ask, where = ask_in(ask, self._unit), words_shown(where, self._unit)
        self._out.write(f"\n[{where}]\n{ask.message}\n{_how(ask, noticed)} > ")
        self._out.flush()

    def reply(self, ask: Do | Enter) -> Reply | None:
        """Return what was typed meanwhile, None when nothing was."""
        try:
            line = self._typed.get_nowait()
        except queue.Empty:
            return None
        found = read_reply(ask, line)
        if isinstance(found, str):
            self.say(found)
            return None
        if isinstance(found, Said):
            return Said(answer_meant(ask, found.value, self._unit))
        return found

    def typed(self) -> bool:
        """Take a line that was typed meanwhile, whatever it says; returns whether one was."""
        try:
            self._typed.get_nowait()
        except queue.Empty:
            return False
        return True

    def _forget(self) -> bool:
        forgotten = False
        while self.typed():
            forgotten = True
        return forgotten

    def _listen(self, lines: TextIO) -> None:
        for line in lines:
            self._typed.put(line)
        self._ended = True


def _how(ask: Do | Enter, noticed: bool) -> str:
    if isinstance(ask, Enter):
        what = " or ".join(ask.choices) or (f"a number in {ask.unit}" if ask.unit else "a text")
        return f"{what}; Enter alone leaves it open (skip: why, back)"
    seen = "; the tool sees it by itself" if noticed else ""
    return f"Enter when done{seen} (skip: why, back)"
