"""The words of the line that steps a drive, and which answer is right; nothing here is sent.

A command is one line of ASCII and has one line of answer, each ended by a newline. ``hello`` is
answered by :data:`GREETING`; from then on the device counts its track as unknown, because a hand
may have moved the head. Each other command is answered once it is done and the head is at rest, by
``ok`` and how all stands then, or by ``no`` and the reason, with nothing moved::

    motor on | motor off                  the spindle's motor
    head 0 | head 1                       the head of that side
    seek 16                               to a track; by way of track 0 where it is unknown
    step in 2 100 | step out 2 100        so many tracks inward or outward, at so many a second
    where                                 how all stands

    ok track 16 head 0 motor on           the answer; “track ?” where it is unknown
    no the head is at its inner stop

No word of it writes to a disk.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

GREETING = "evenlobe steps 1"
LONGEST = 120
"""Bytes of an answer, its end included."""
SLOWEST_HZ, FASTEST_HZ = 10.0, 1000.0
MOST_TRACKS = 255

HELLO_S = 6.0
"""A board that restarts when its port is opened answers within this."""
_ANSWER_S = 2.0
_SPIN_UP_S = 5.0
_SEEK_S = 10.0
"""To a track by way of track 0, at ten milliseconds a step: 255 of them out and 255 in."""

_STATE = re.compile(r"ok track (\d{1,3}|\?) head ([01]) motor (on|off)")
_REFUSED = re.compile(r"no (\S.*)")
_TYPED = re.compile(
    r"(?:motor (?P<motor>on|off)|head (?P<head>[01])|seek (?P<track>\d{1,3})"
    r"|step (?P<way>in|out) (?P<count>\d{1,3}) (?P<rate>\d{1,4})|where)"
)


@dataclass(frozen=True, slots=True)
class Standing:
    """How all stands at the drive, as the device says; the track is None where it is unknown."""

    track: int | None = None
    head: int = 0
    motor: bool = False

    def __str__(self) -> str:
        track = "?" if self.track is None else self.track
        return f"track {track} head {self.head} motor {'on' if self.motor else 'off'}"


@dataclass(frozen=True, slots=True)
class Command:
    """One command.

    Attributes
    ----------
    words : str
        The line, without its end.
    wait_s : float
        The answer comes within this.
    motor, head, track : bool, int or int or None
        What it is to bring about; None leaves that as it is.
    by : int
        Tracks inward; negative outward.
    """

    words: str
    wait_s: float = _ANSWER_S
    motor: bool | None = None
    head: int | None = None
    track: int | None = None
    by: int = 0

    @property
    def moves(self) -> bool:
        """Whether the head is to go to another track."""
        return self.track is not None or self.by != 0

    def brings(self, before: Standing) -> Standing:
        """Return how all is to stand once it is done."""
        after = before
        if self.motor is not None:
            after = replace(after, motor=self.motor)
        if self.head is not None:
            after = replace(after, head=self.head)
        if self.track is not None:
            after = replace(after, track=self.track)
        if self.by and after.track is not None:
            after = replace(after, track=after.track + self.by)
        return after


WHERE = Command("where")


def motor(on: bool) -> Command:
    """Return the command that switches the spindle's motor; answered once it is at speed."""
    return Command(f"motor {'on' if on else 'off'}", _SPIN_UP_S, motor=on)


def select(head: int) -> Command:
    """Return the command that selects a head."""
    return Command(f"head {head}", head=head)


def seek(track: int) -> Command:
    """Return the command that brings the head to a track."""
    return Command(f"seek {track}", _SEEK_S, track=track)


def step(tracks: int, rate_hz: float) -> Command:
    """Return the command that steps so many tracks inward, or outward where negative."""
    way, count = "in" if tracks > 0 else "out", abs(tracks)
    wait_s = _ANSWER_S + count / rate_hz
    return Command(f"step {way} {count} {rate_hz:.0f}", wait_s, by=tracks)


def read_command(typed: str) -> Command:
    """Return the command that somebody typed.

    Raises
    ------
    ValueError
        When it is none; the message names those that are.
    """
    words = " ".join(typed.lower().split())
    found = _TYPED.fullmatch(words)
    if found is None:
        raise ValueError(
            f"“{typed.strip()}” is no command of the line; use motor on or off, head 0 or 1, "
            "seek N, step in or out N RATE, where"
        )
    if found["motor"]:
        return motor(found["motor"] == "on")
    if found["head"]:
        return select(int(found["head"]))
    if found["track"]:
        return seek(_within(int(found["track"]), 0, MOST_TRACKS, "a track"))
    if found["way"]:
        count = _within(int(found["count"]), 1, MOST_TRACKS, "a number of steps")
        rate_hz = _within(int(found["rate"]), SLOWEST_HZ, FASTEST_HZ, "a rate, in steps a second,")
        return step(count if found["way"] == "in" else -count, rate_hz)
    return WHERE


def _within(value: int, low: float, high: float, what: str) -> int:
    if not low <= value <= high:
        raise ValueError(f"{value} cannot be {what} here; use {low:g} to {high:g}")
    return value


def read_standing(answer: str) -> Standing | None:
    """Return how all stands by an answer, None where that does not tell it."""
    found = _STATE.fullmatch(answer)
    if found is None:
        return None
    track = None if found[1] == "?" else int(found[1])
    return Standing(track, int(found[2]), found[3] == "on")


def read_answer(command: Command, answer: str, before: Standing) -> Standing:
    """Return how all stands by an answer to a command.

    Parameters
    ----------
    command : Command
        What was asked.
    answer : str
        The line, without its end.
    before : Standing
        How all stood by the answer before.

    Raises
    ------
    ValueError
        When it is no answer, refuses, or tells of something else than was asked; the message says
        which, without the line's name.
    """
    refused = _REFUSED.fullmatch(answer)
    if refused:
        raise ValueError(f"it refused “{command.words}” ({refused[1]})")
    now = read_standing(answer)
    if now is None:
        raise ValueError(f"it answered “{command.words}” with “{answer}”, which is no answer")
    wanted = command.brings(before)
    if now == wanted:
        return now
    if command is WHERE:
        raise ValueError(f"it moved without being asked: “{now}”, where it was “{wanted}”")
    raise ValueError(f"it did something else than “{command.words}”: “{now}” and not “{wanted}”")
