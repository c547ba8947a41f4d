"""The line itself: opened, asked, and given up as soon as an answer is not the right one."""

from __future__ import annotations

import time
from collections.abc import Callable

from instruments.options import AddressOptions, split_options
from instruments.program import printable, split_command
from instruments.source import AddressError, SourceError, SourceLost
from instruments.steps.link import ProgramLink, SerialStepLink, StepLink
from instruments.steps.protocol import (
    FASTEST_HZ,
    GREETING,
    HELLO_S,
    LONGEST,
    SLOWEST_HZ,
    WHERE,
    Command,
    Standing,
    read_answer,
    read_standing,
)

_BAUD = 115200
_RATE_HZ = 100.0
"""Steps a second where none are stated: ten milliseconds each, as slow as any drive (memory)."""
_HELLO_AGAIN_S = 1.0
_MOST_AT_ONCE = 1 << 15
"""Bytes: a board that tells of its start at length says less before it is heard."""
_OPTIONS = ("rate", "baud")
_NO_TEXT = bytes(0xFF if each < 0x20 or each == 0x7F else each for each in range(256))
"""Each byte as it is, and those that are no text as one that is none in UTF-8 either."""


class StepsFault(SourceError):  # noqa: N818 - reads as the state that it names
    """The line can be used no more as it is; the message says why.

    Attributes
    ----------
    moved : bool
        The head may be elsewhere than the line was asked to bring it.
    """

    def __init__(self, message: str, *, moved: bool) -> None:
        super().__init__(message)
        self.moved = moved


class StepsLine:
    """Something that steps the drive, asked command by command; from one thread at a time.

    Parameters
    ----------
    name : str
        The address as it was typed.
    rate_hz : float
        Steps a second.
    connect : callable
        Returns the link, connected.
    clock : callable
        Monotonic seconds.

    Attributes
    ----------
    standing : Standing
        How all stands by the last answer.
    """

    def __init__(
        self,
        name: str,
        rate_hz: float,
        connect: Callable[[], StepLink],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.name = name
        self.rate_hz = rate_hz
        self._connect = connect
        self._clock = clock
        self._link: StepLink | None = None
        self._come = b""
        self._moving = False
        self.standing = Standing()

    @property
    def is_open(self) -> bool:
        """Whether it is there and has answered rightly so far."""
        return self._link is not None

    def open(self) -> None:
        """Connect, and hear that somebody of the right kind answers.

        Raises
        ------
        StepsFault
            When nobody does.
        """
        self.close()
        self._come, self._moving = b"", False
        try:
            self._link = self._connect()
        except SourceError as fault:
            raise self._fault(str(fault)) from None
        self._greet()
        answer = self._say(WHERE)
        standing = read_standing(answer)
        if standing is None or standing.track is not None:
            raise self._given_up(f"greeted, it answered “where” with “{answer}” and not “track ?”")
        self.standing = standing

    def ask(self, command: Command) -> Standing:
        """Have a command done; returns how all stands.

        Raises
        ------
        StepsFault
            When there is no answer or a wrong one; the line is closed then.
        """
        # A head that is not where it was may have moved at any time.
        self._moving = command.moves or command is WHERE
        answer = self._say(command)
        try:
            self.standing = read_answer(command, answer, self.standing)
        except ValueError as fault:
            raise self._given_up(str(fault)) from None
        return self.standing

    def close(self) -> None:
        """Let go of the link; from any thread."""
        link, self._link = self._link, None
        if link is not None:
            link.close()

    # -- inside --------------------------------------------------------------------------------

    def _greet(self) -> None:
        """Say hello until it is answered; what came before, as a board starts, is passed over."""
        until_s = self._clock() + HELLO_S
        heard = ""
        while self._clock() < until_s:
            self._send("hello")
            again_s = min(self._clock() + _HELLO_AGAIN_S, until_s)
            while (answer := self._line(again_s)) is not None:
                if answer == GREETING:
                    return
                heard = f"; it said “{answer}”"
        raise self._given_up(
            f"nobody answered “hello” with “{GREETING}” within {HELLO_S:g} s{heard}"
        )

    def _say(self, command: Command) -> str:
        """Send a command and return the line that answers it."""
        if unasked := self._unasked():
            raise self._given_up(f"it said “{unasked}” without being asked")
        self._send(command.words)
        until_s = self._clock() + command.wait_s
        answer = self._line(until_s)
        while answer == GREETING:  # It had been asked for once more than was heard.
            answer = self._line(until_s)
        if answer is None:
            half = f"half an answer, “{printable(self._come)}”," if self._come else "no answer"
            raise self._given_up(f"{half} came to “{command.words}” within {command.wait_s:g} s")
        return answer

    def _unasked(self) -> str:
        """Return what came without being asked, but for a greeting."""
        come, self._come = self._come, b""
        while len(come) <= LONGEST and (more := self._receive(0.0)):
            come += more
        return printable(come.replace(GREETING.encode(), b""))

    def _line(self, until_s: float) -> str | None:
        """Return the next line that comes, None where none has by a time."""
        while b"\n" not in self._come:
            left_s = until_s - self._clock()
            if left_s <= 0.0:
                return None
            if len(self._come) > LONGEST:
                raise self._given_up(f"it said more than {LONGEST} bytes in one line")
            self._come += self._receive(left_s)
        line, _, self._come = self._come.partition(b"\n")
        # What is no text stays in its place: a NUL is no space between the words of an answer.
        return printable(line.rstrip(b"\r").translate(_NO_TEXT))

    def _send(self, words: str) -> None:
        try:
            self._opened().send(f"{words}\n".encode("ascii"))
        except SourceLost as fault:
            raise self._given_up(str(fault)) from None

    def _receive(self, timeout_s: float) -> bytes:
        try:
            data = self._opened().receive(timeout_s)
        except SourceLost as fault:
            raise self._given_up(str(fault)) from None
        if len(data) > _MOST_AT_ONCE:
            raise self._given_up(
                f"it does not stop talking: {len(data)} bytes came at once, and an answer has "
                f"{LONGEST} at most"
            )
        return data

    def _opened(self) -> StepLink:
        if self._link is None:
            raise self._fault("it is not open")
        return self._link

    def _given_up(self, why: str) -> StepsFault:
        self.close()
        self._come = b""
        return self._fault(why)

    def _fault(self, why: str) -> StepsFault:
        return StepsFault(f"steps “{self.name}”: {why}", moved=self._moving)


def steps_line(address: str) -> StepsLine:
    """Return the line behind an address, not yet open.

    Parameters
    ----------
    address : str
        ``serial:PORT`` or ``run:COMMAND``, with ``rate`` and, of a port, ``baud`` after ``?``.

    Raises
    ------
    AddressError
        When it cannot be used as written.
    """
    text = address.strip()
    kind, _, rest = text.partition(":")
    body, _, tail = rest.rpartition("?")
    stated = body and all(part.partition("=")[0] in _OPTIONS for part in tail.split("&"))
    place, texts = split_options(text, rest) if stated or kind == "serial" else (rest, {})
    if kind == "serial":
        given = AddressOptions(text, texts, _OPTIONS)
        baud = int(given.number("baud", 300, 4_000_000, whole="a whole number") or _BAUD)
        if not place:
            raise AddressError(f"address “{text}” names no port; write serial:/dev/ttyACM0")
        return StepsLine(text, _rate(given), lambda: SerialStepLink(place, baud))
    if kind == "run":
        given = AddressOptions(text, texts, ("rate",))
        command = split_command(text, place)
        return StepsLine(text, _rate(given), lambda: ProgramLink(command))
    raise AddressError(
        f"address “{text}” is none of a line that steps; write serial:PORT or run:COMMAND"
    )


def _rate(given: AddressOptions) -> float:
    rate_hz = given.number("rate", SLOWEST_HZ, FASTEST_HZ, whole="a whole number")
    return _RATE_HZ if rate_hz is None else rate_hz
