"""Taking one record: start, wait, read every channel.

Only the thread that owns the link may use it.
"""

from __future__ import annotations

import time
from dataclasses import dataclass

from instruments.scope.family import Deep, Family, Pages, Poll
from instruments.scope.faults import Deadline, Garbled, Late
from instruments.scope.link import Bytes, Link
from instruments.scope.panel import same_word
from instruments.scope.preambles import Preamble, PreambleError, number
from instruments.scope.records import Record, decode
from instruments.source import SourceLost, SourceUnavailable

_POLL_S = 0.001
_POLL_MOST_S = 0.05
_MOST_DESCRIPTION = 4096
_WIDTHS = {"uint8": 1, "int8": 1, "int16": 2, "float32": 4}


@dataclass(frozen=True, slots=True)
class Screen:
    """What is known of the scope's screen while records are taken.

    Attributes
    ----------
    span_s : float
        Time from its left edge to its right one.
    detecting : bool
        Peak detect is on.
    rails_v : dict of int to float
        Magnitude at the edge of the screen, by channel.
    points : int
        Points asked for, where the family is asked for a number; else 0.
    """

    span_s: float
    detecting: bool
    rails_v: dict[int, float]
    points: int = 0


def start(
    link: Link, family: Family, span_s: float, force: bool, deadline: Deadline, what_for: str
) -> float:
    """Take a record and return the monotonic time of its end.

    Parameters
    ----------
    link, family : Link, Family
        The scope.
    span_s : float
        The screen's span: no record is complete sooner.
    force : bool
        Do not wait for a trigger.
    deadline : Deadline
        For all of it.
    what_for : str
        What is waited for, and the mend, as a message says it.

    Raises
    ------
    SourceError
        When none comes in time.
    """
    acquire = family.acquire
    for command in (*acquire.start, *(acquire.force if force else ())):
        link.send(command, deadline)
    if acquire.done is None:
        link.ask(acquire.wait, deadline)
    else:
        _poll(link, acquire.done, span_s, deadline, what_for)
    end_s = time.monotonic()
    if acquire.acknowledge:
        link.ask(acquire.acknowledge, deadline)
    return end_s


def _poll(link: Link, poll: Poll, span_s: float, deadline: Deadline, what_for: str) -> None:
    """Wait until the record is done; *done* from the start is still said of the one before."""
    pause_s = _POLL_S
    begun_s = time.monotonic()
    begun = False
    while True:
        done = is_one_of(link.ask(poll.ask, deadline), poll.until)
        if done and (begun or time.monotonic() - begun_s > span_s):
            return
        begun = begun or not done
        deadline.pause(pause_s)
        pause_s = min(2 * pause_s, _POLL_MOST_S)
        try:
            deadline.check(link.what)
        except Late:
            raise SourceLost(
                f"{link.what}: no record within {deadline.seconds:.3g} s; {what_for}"
            ) from None


def is_one_of(told: str, words: tuple[str, ...]) -> bool:
    """Tell whether an answer is one of some words."""
    return any(same_word(told, word) for word in words)


def read_channel(
    link: Link, family: Family, channel: int, screen: Screen, deadline: Deadline
) -> Record:
    """Read one channel of the record that was taken last.

    Raises
    ------
    Garbled
        When the answers do not fit together; the record can be taken again.
    SourceUnavailable
        When the memory is empty.
    SourceError
        As the link raises.
    """
    for command in family.waveform.select:
        points = screen.points or family.waveform.most_points
        link.send(command.format(n=channel, points=points), deadline)
    _confirm_channel(link, family, channel, deadline)
    return _read(link, family, family.waveform.pages, channel, screen, deadline)


def read_deep(
    link: Link, family: Family, deep: Deep, channel: int, screen: Screen, deadline: Deadline
) -> Record:
    """Read one channel's memory at its full rate; peak detect is off.

    Raises
    ------
    SourceError
        As :func:`read_channel`.
    """
    try:
        for command in deep.select:
            link.send(command.format(n=channel), deadline)
        _confirm_channel(link, family, channel, deadline)
        return _read(link, family, deep.pages, channel, screen, deadline, by_span=True)
    finally:
        for command in deep.after:
            link.send(command, deadline)


def _confirm_channel(link: Link, family: Family, channel: int, deadline: Deadline) -> None:
    waveform = family.waveform
    if not waveform.chosen:
        return
    told, wanted = link.ask(waveform.chosen, deadline), waveform.choice.format(n=channel)
    if not same_word(told, wanted):
        raise Garbled(
            f"{link.what}: it does not give channel {channel} ({waveform.chosen} says {told}); "
            "see with check-scope which family of commands fits"
        )


def _read(
    link: Link,
    family: Family,
    pages: Pages,
    channel: int,
    screen: Screen,
    deadline: Deadline,
    *,
    by_span: bool = False,
) -> Record:
    waveform = family.waveform
    try:
        preamble = None
        if waveform.parser.needs:
            preamble = waveform.parser.parse(_answers(link, family, channel, deadline))
            if by_span and pages.send:
                preamble = _whole_memory(preamble, screen.span_s)
        points = None if preamble is None else preamble.points
        _refuse_empty(link, channel, points)
        data = _data(link, family, pages, channel, points, deadline)
        if preamble is None:
            preamble = waveform.parser.parse({"data": bytes(data)})
        _refuse_empty(link, channel, min(preamble.points or 1, len(data)))
        rail_v = screen.rails_v.get(channel, float("inf"))
        return decode(
            preamble,
            data,
            waveform,
            detecting=screen.detecting,
            span_s=screen.span_s,
            rail_v=rail_v,
        )
    except PreambleError as fault:
        raise Garbled(
            f"{link.what}: the record of channel {channel} does not fit together ({fault}); if "
            "it lasts, see with check-scope which family of commands fits"
        ) from None


def _data(
    link: Link, family: Family, pages: Pages, channel: int, points: int | None, deadline: Deadline
) -> Bytes:
    """Return the samples' bytes, in one read or in as many as it takes."""
    width = _WIDTHS[family.waveform.codes]
    query = family.waveform.data.format(n=channel)
    most = pages.most_a_read
    if pages.limit and points is not None:
        most = max(1, int(number(link.ask(pages.limit, deadline))))
    if points is None or not pages.send:
        expected = None if points is None else points * width
        return link.ask_block(query, expected, family.waveform.most_points * width, deadline)
    parts: list[Bytes] = []
    for first0 in range(0, points, most):
        count = min(most, points - first0)
        for command in pages.send:
            filled = command.format(
                first=first0 + 1, last=first0 + count, first0=first0, count=count
            )
            link.send(filled, deadline)
        part = link.ask_block(query, count * width, count * width, deadline)
        if count == points:
            return part
        parts.append(bytes(part))
    return b"".join(parts)


def _whole_memory(preamble: Preamble, span_s: float) -> Preamble:
    """Return the preamble of the whole memory: a scope may count the page alone."""
    if not preamble.interval_s:
        raise PreambleError("the time between points is told as 0")
    points = round(span_s / preamble.interval_s)
    return Preamble(points, preamble.interval_s, preamble.start_s, False, preamble.fields)


def _answers(link: Link, family: Family, channel: int, deadline: Deadline) -> dict[str, bytes]:
    waveform = family.waveform
    answers: dict[str, bytes] = {}
    for name, query in waveform.ask.items():
        filled = query.format(n=channel)
        if name in waveform.blocks:
            answers[name] = bytes(link.ask_block(filled, None, _MOST_DESCRIPTION, deadline))
        else:
            answers[name] = link.ask(filled, deadline).encode("ascii")
    return answers


def _refuse_empty(link: Link, channel: int, points: int | None) -> None:
    if points == 0:
        raise SourceUnavailable(
            f"{link.what}: channel {channel} holds no record; switch the channel on at the scope "
            "and let it trigger once"
        )
