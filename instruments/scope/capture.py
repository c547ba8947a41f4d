"""Taking one record: start, wait, read every channel.

Only the thread that owns the link may use it.
"""

from __future__ import annotations

import time
from dataclasses import dataclass

from instruments.scope.family import Deep, Family, Poll
from instruments.scope.faults import Deadline, Garbled, Late
from instruments.scope.link import Bytes, Link
from instruments.scope.panel import same_word
from instruments.scope.preambles import Preamble, PreambleError
from instruments.scope.records import Record, decode
from instruments.source import SourceLost, SourceUnavailable

_POLL_S = 0.002
_POLL_MOST_S = 0.05


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
    """

    span_s: float
    detecting: bool
    rails_v: dict[int, float]


def start(link: Link, family: Family, force: bool, deadline: Deadline, what_for: str) -> float:
    """Take a record and return the monotonic time of its end.

    Parameters
    ----------
    link, family : Link, Family
        The scope.
    force : bool
        Do not wait for a trigger.
    deadline : Deadline
        For all of it.
    what_for : str
        What is waited for, as a message says it.

    Raises
    ------
    SourceError
        When none comes in time.
    """
    acquire = family.acquire
    for command in acquire.start:
        link.send(command, deadline)
    for command in acquire.force if force else ():
        link.send(command, deadline)
    try:
        if acquire.done is None:
            link.ask(acquire.wait, deadline)
        else:
            _poll(link, acquire.done, deadline)
    except Late:
        if acquire.done is None:
            raise
        raise SourceLost(
            f"{link.what}: no record within {deadline.seconds:.3g} s; {what_for}"
        ) from None
    return time.monotonic()


def _poll(link: Link, poll: Poll, deadline: Deadline) -> None:
    pause_s = _POLL_S
    while not is_one_of(link.ask(poll.ask, deadline), poll.until):
        deadline.check(link.what)
        deadline.pause(pause_s)
        pause_s = min(2 * pause_s, _POLL_MOST_S)


def is_one_of(told: str, words: tuple[str, ...]) -> bool:
    """Tell whether an answer is one of some words."""
    return any(same_word(told, word) for word in words)


def read_channel(
    link: Link, family: Family, channel: int, screen: Screen, points: int, deadline: Deadline
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
    waveform = family.waveform
    for command in waveform.select:
        link.send(command.format(n=channel, points=points or waveform.most_points), deadline)
    before = waveform.parser.needs
    answers = _preamble_answers(link, family, channel, deadline) if before else {}
    try:
        preamble = waveform.parser.parse(answers) if before else None
        _refuse_empty(link, channel, preamble)
        width = _width(family)
        expected = None if preamble is None or preamble.points is None else preamble.points * width
        query = waveform.data.format(n=channel)
        data = link.ask_block(query, expected, waveform.most_points * width, deadline)
        if preamble is None:
            preamble = waveform.parser.parse({"data": bytes(data)})
            _refuse_empty(link, channel, preamble)
        return decode(
            preamble,
            data,
            waveform,
            detecting=screen.detecting,
            span_s=screen.span_s,
            rail_v=screen.rails_v.get(channel, float("inf")),
        )
    except PreambleError as fault:
        raise _unfit(link, channel, fault) from None


def read_deep(
    link: Link, family: Family, deep: Deep, channel: int, screen: Screen, deadline: Deadline
) -> Record:
    """Read one channel's memory at its full rate, page after page.

    Raises
    ------
    SourceError
        As :func:`read_channel`.
    """
    try:
        for command in deep.select:
            link.send(command.format(n=channel), deadline)
        return _read_memory(link, family, deep, channel, screen, deadline)
    finally:
        for command in deep.after:
            link.send(command, deadline)


def _read_memory(
    link: Link, family: Family, deep: Deep, channel: int, screen: Screen, deadline: Deadline
) -> Record:
    if not deep.page:
        return _read_whole(link, family, channel, screen, deadline)
    width = _width(family)
    pages: list[Bytes] = []
    try:
        first, total, preamble = 1, deep.most_a_read, None
        while first <= total:
            count = min(deep.most_a_read, total - first + 1)
            ends = {"first": first, "last": first + count - 1, "first0": first - 1, "count": count}
            for command in deep.page:
                link.send(command.format(**ends), deadline)
            if preamble is None:
                preamble = family.waveform.parser.parse(
                    _preamble_answers(link, family, channel, deadline)
                )
                # The preamble may count the page alone: the span tells how much there is.
                total = _whole_memory(preamble, screen.span_s)
                continue
            query = family.waveform.data.format(n=channel)
            pages.append(link.ask_block(query, None, count * width, deadline))
            if len(pages[-1]) != count * width:
                raise PreambleError(f"page {len(pages)} has {len(pages[-1]) // width} points")
            first += count
        assert preamble is not None
        whole = Preamble(
            total, preamble.interval_s, preamble.start_s, pairs=False, fields=preamble.fields
        )
        return decode(
            whole, b"".join(pages), family.waveform, detecting=False, span_s=screen.span_s
        )
    except PreambleError as fault:
        raise _unfit(link, channel, fault) from None


def _read_whole(
    link: Link, family: Family, channel: int, screen: Screen, deadline: Deadline
) -> Record:
    plain = Screen(screen.span_s, detecting=False, rails_v=screen.rails_v)
    return read_channel(link, family, channel, plain, 0, deadline)


def _whole_memory(preamble: Preamble, span_s: float) -> int:
    if not preamble.interval_s > 0:
        raise PreambleError("the time between points is told as 0")
    return round(span_s / preamble.interval_s)


def _preamble_answers(
    link: Link, family: Family, channel: int, deadline: Deadline
) -> dict[str, bytes]:
    waveform = family.waveform
    answers: dict[str, bytes] = {}
    for name, query in waveform.ask.items():
        if name in waveform.blocks:
            answers[name] = bytes(link.ask_block(query.format(n=channel), None, 4096, deadline))
        else:
            answers[name] = link.ask(query.format(n=channel), deadline).encode("ascii")
    return answers


def _width(family: Family) -> int:
    return {"uint8": 1, "int8": 1, "int16": 2, "float32": 4}[family.waveform.codes]


def _refuse_empty(link: Link, channel: int, preamble: Preamble | None) -> None:
    if preamble is not None and preamble.points == 0:
        raise SourceUnavailable(
            f"{link.what}: channel {channel} holds no record; switch the channel on at the scope "
            "and let it trigger once"
        )


def _unfit(link: Link, channel: int, fault: PreambleError) -> Garbled:
    return Garbled(
        f"{link.what}: the record of channel {channel} does not fit together ({fault}); if it "
        "lasts, see with check-scope which family of commands fits"
    )
