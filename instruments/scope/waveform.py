"""Take one record from a scope and decode it into volts.

In peak-detect acquisition a scope keeps the lowest and the highest sample of each bin. Makers
differ in which comes first: the smaller one is the minimum.

Decoding is pure; taking a record is for the thread that owns the link.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from instruments.scope.family import Deep, Family, Pages, Poll, Waveform
from instruments.scope.links import Bytes, Deadline, Garbled, Late, Link
from instruments.scope.panel import same_word
from instruments.scope.preamble import Preamble, PreambleError, number
from instruments.source import SourceLost, SourceUnavailable

Singles = NDArray[np.float32]

_DTYPES = {"uint8": "u1", "int8": "i1", "int16": "<i2", "int16-high": ">i2", "float32": "<f4"}
_SPAN_FACTOR = 1.3
"""Within this the record's own time must fit the screen's: scopes of one family have 10 to 14
divisions, and one that counts pairs as points is out by 2."""
_EDGE_S = 0.2e-3
"""As far from where it should be an index's edge may lie; a pulse lasts some milliseconds."""


@dataclass(frozen=True, slots=True)
class Record:
    """One channel of one record.

    Attributes
    ----------
    low_v, high_v : numpy.ndarray
        float32, shape (bins,): extremes of each stretch of time; the same array twice for a
        record of plain samples.
    interval_s : float
        Length of a stretch.
    start_s : float or None
        When the first begins, after the trigger; None when not told.
    clipped : bool
        A code stands at a rail.
    paired : bool
        Whether these are extremes.
    """

    low_v: Singles
    high_v: Singles
    interval_s: float
    start_s: float | None
    clipped: bool
    paired: bool

    @property
    def peak_v(self) -> float:
        """Largest magnitude; 0 for an empty record."""
        if not len(self.low_v):
            return 0.0
        return float(max(self.high_v.max(), -self.low_v.min()))

    @property
    def values(self) -> int:
        """Values that were transferred."""
        return (2 if self.paired else 1) * len(self.low_v)

    @property
    def swing_v(self) -> float:
        """Highest less lowest; 0 for an empty record."""
        return float(self.high_v.max() - self.low_v.min()) if len(self.low_v) else 0.0


def decode(
    preamble: Preamble,
    data: Bytes,
    waveform: Waveform,
    *,
    detecting: bool,
    span_s: float,
    rail_v: float = math.inf,
) -> Record:
    """Return what one channel's answers say.

    Parameters
    ----------
    preamble : Preamble
        As parsed.
    data : bytes
        Data of the block.
    waveform : Waveform
        The family's: kind of codes, and scale.
    detecting : bool
        Whether peak detect is on; decides where the preamble does not tell.
    span_s : float
        The screen's span.
    rail_v : float
        Magnitude at which data in volts clip.

    Raises
    ------
    PreambleError
        When the parts do not fit together.
    """
    dtype = np.dtype(_DTYPES[waveform.codes])
    bare = memoryview(data)[preamble.data_at :]
    codes = np.frombuffer(bare[: len(bare) - len(bare) % dtype.itemsize], dtype)
    if preamble.points is not None and len(codes) != preamble.points:
        raise PreambleError(f"{len(codes)} points came where {preamble.points} were announced")
    # A scope may keep extremes and say nothing of them (RTM3000 user manual, p. 572): of two
    # neighbours the lower and the higher bound the signal in any case.
    paired = detecting or bool(preamble.pairs)
    if waveform.hole is not None:
        codes = fill_holes(codes, waveform.hole)
    line = waveform.scale.line(preamble.fields)
    if paired:
        even = codes[: len(codes) // 2 * 2]
        low, high = np.minimum(even[::2], even[1::2]), np.maximum(even[::2], even[1::2])
        if line.slope_v < 0:
            low, high = high, low
    else:
        low = high = codes
    low_v = _volts(low, line.slope_v, line.intercept_v)
    high_v = low_v if high is low else _volts(high, line.slope_v, line.intercept_v)
    return Record(
        low_v=low_v,
        high_v=high_v,
        interval_s=bin_interval_s(preamble.interval_s, len(low_v), span_s, paired),
        start_s=preamble.start_s,
        clipped=_clips(codes, waveform.rails or code_rails(dtype), rail_v),
        paired=paired,
    )


def _volts(codes: NDArray[Any], slope_v: float, intercept_v: float) -> Singles:
    volts: Singles = codes.astype(np.float32)
    # What is too large for its kind is told below.
    with np.errstate(over="ignore", invalid="ignore"):
        if slope_v != 1.0:
            volts *= np.float32(slope_v)
        if intercept_v:
            volts += np.float32(intercept_v)
    if not np.isfinite(volts).all():
        raise PreambleError("some of its values are no numbers")
    return volts


def width_of(waveform: Waveform) -> int:
    """Return the bytes of a sample."""
    return np.dtype(_DTYPES[waveform.codes]).itemsize


def code_rails(dtype: np.dtype[Any]) -> tuple[float, ...]:
    """Return the codes at the ends of a kind of code; none of data in volts."""
    if dtype.kind == "f":
        return ()
    limits = np.iinfo(dtype)
    return (limits.min, limits.max)


def _clips(codes: NDArray[Any], rails: tuple[float, ...], rail_v: float) -> bool:
    if not len(codes):
        return False
    if not rails:
        return bool(np.abs(codes).max() >= rail_v)
    return bool(codes.min() <= rails[0] or codes.max() >= rails[1])


_MOST_HOLES = 0.1


def fill_holes(codes: NDArray[Any], hole: int) -> NDArray[Any]:
    """Return codes in which each point that was never sampled is like its nearest neighbour.

    The other one of its pair comes first, then the point before it, then the one after.

    Parameters
    ----------
    codes : numpy.ndarray
        Shape (points,).
    hole : int
        The code of a point that was never sampled.

    Raises
    ------
    PreambleError
        When more than a tenth are holes.
    """
    holes = codes == hole
    if not holes.any():
        return codes
    if holes.mean() > _MOST_HOLES:
        raise PreambleError("more than a tenth of its points were never sampled")
    filled, places = codes.copy(), np.flatnonzero(holes)
    partners = np.minimum(places ^ 1, len(codes) - 1)
    filled[places] = codes[partners]
    known = np.flatnonzero(filled != hole)
    left = np.flatnonzero(filled == hole)
    filled[left] = filled[known[np.maximum(np.searchsorted(known, left) - 1, 0)]]
    return filled


def bin_interval_s(told_s: float | None, bins: int, span_s: float, paired: bool) -> float:
    """Return the time from one cell to the next, settling whether a pair or a point was meant.

    Parameters
    ----------
    told_s : float or None
        What the preamble says; per pair to some scopes, per point to others. None where the
        record covers just the screen.
    cells : int
        Pairs, or plain samples, in the record.
    span_s : float
        The screen's span, which all of them cover.
    paired : bool
        Whether cells are pairs.

    Raises
    ------
    PreambleError
        When neither fits.
    """
    if not bins:
        raise PreambleError("the record is empty")
    if told_s is None:
        return span_s / bins
    if not told_s > 0:
        raise PreambleError("the time between points is told as 0")
    candidates = (2 * told_s, told_s) if paired else (told_s,)
    best = min(candidates, key=lambda each: abs(math.log(each * bins / span_s)))
    if not 1 / _SPAN_FACTOR <= best * bins / span_s <= _SPAN_FACTOR:
        raise PreambleError(
            f"{bins} steps of {told_s:g} s do not make up the screen's {span_s:g} s"
        )
    return best


def difference(plus: Record, minus: Record) -> Record:
    """Return the differential of two channels.

    The two phases oppose each other: within a cell the differential reaches from
    min(plus) − max(minus) to max(plus) − min(minus). Point by point the lobes would cancel.

    Raises
    ------
    PreambleError
        When the two are not of one record.
    """
    if len(plus.low_v) != len(minus.low_v) or plus.paired != minus.paired:
        raise PreambleError(
            f"the two phases have {len(plus.low_v)} and {len(minus.low_v)} steps; they differ"
        )
    low_v = plus.low_v - minus.high_v
    return Record(
        low_v=low_v,
        high_v=plus.high_v - minus.low_v if plus.paired else low_v,
        interval_s=plus.interval_s,
        start_s=plus.start_s,
        clipped=plus.clipped or minus.clipped,
        paired=plus.paired,
    )


def frames(columns: list[Record], skip: int = 0) -> Singles:
    """Return the samples of a block: one column a record.

    Parameters
    ----------
    columns : list of Record
        All of one length.
    skip : int
        Cells left out at the beginning.

    Returns
    -------
    numpy.ndarray
        float32, C-contiguous; shape (2·cells, columns) with a row of the lower extremes and a
        row of the higher ones in turn, or (cells, columns) of plain samples.
    """
    bins = len(columns[0].low_v) - skip
    if any(len(column.low_v) - skip != bins for column in columns):
        raise PreambleError("the channels of one record differ in length")
    if not columns[0].paired:
        return np.stack([column.low_v[skip:] for column in columns], axis=1)
    out = np.empty((bins, 2, len(columns)), dtype=np.float32)
    for place, column in enumerate(columns):
        out[:, 0, place] = column.low_v[skip:]
        out[:, 1, place] = column.high_v[skip:]
    return out.reshape(2 * bins, len(columns))


def bins_before_trigger(record: Record) -> int:
    """Return how many cells lie before the trigger, to the nearest one."""
    if record.start_s is None or record.start_s >= 0:
        return 0
    return min(len(record.low_v), math.floor(-record.start_s / record.interval_s + 0.5))


def is_active_at(index: Record, at_bin: int, level_v: float, *, falling: bool) -> bool:
    """Tell whether an index is beyond its level at a cell, or next to it.

    Parameters
    ----------
    index : Record
        Of the index's channel.
    cell : int
        Where the edge should be.
    level_v : float
        The trigger's.
    falling : bool
        Beyond is below.
    """
    near = max(1, math.ceil(_EDGE_S / index.interval_s))
    here = slice(max(0, at_bin - near), at_bin + near + 1)
    if falling:
        return bool((index.low_v[here] <= level_v).any())
    return bool((index.high_v[here] >= level_v).any())


def extremes_bias(noise_rms: float, samples_a_cell: float) -> float:
    """Return by how much noise widens max − min of a cell, in the unit of `noise_rms`.

    The expected range of n independent Gaussian samples, n from 2 up, by Blom's approximation
    of normal order statistics (Blom 1958, from memory): 2·Φ⁻¹((n − 0.375)/(n + 0.25)). It is
    the floor in the nulls; at the lobes, where few samples compete, less of it is left.
    """
    from statistics import NormalDist

    n = max(2.0, samples_a_cell)
    return 2 * noise_rms * NormalDist().inv_cdf((n - 0.375) / (n + 0.25))


_POLL_S = 0.001
_POLL_MOST_S = 0.05
_MOST_DESCRIPTION = 4096


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
    forcing = acquire.force if force else ()
    for command in (*acquire.start, *forcing):
        link.send(command, deadline)
    if acquire.done is None:
        link.ask(acquire.wait, deadline)
    else:
        _poll(link, acquire.done, forcing, span_s, deadline, what_for)
    end_s = time.monotonic()
    if acquire.acknowledge:
        link.ask(acquire.acknowledge, deadline)
    return end_s


def _poll(
    link: Link,
    poll: Poll,
    forcing: tuple[str, ...],
    span_s: float,
    deadline: Deadline,
    what_for: str,
) -> None:
    """Wait until the record is done; *done* from the start is still said of the one before.

    A scope that has not filled what comes before the trigger takes no notice of a forced one
    (TDS5000B programmer guide, p. 650): it is forced again.
    """
    pause_s = _POLL_S
    begun_s = time.monotonic()
    begun = False
    while True:
        done = is_met(poll, link.ask(poll.ask, deadline))
        if done and (begun or time.monotonic() - begun_s > span_s):
            return
        begun = begun or not done
        for command in forcing:
            link.send(command, deadline)
        deadline.pause(pause_s)
        pause_s = min(2 * pause_s, _POLL_MOST_S)
        try:
            deadline.check(link.what)
        except Late:
            raise SourceLost(
                f"{link.what}: no record within {deadline.seconds:.3g} s; {what_for}"
            ) from None


def is_met(poll: Poll, told: str) -> bool:
    """Tell whether an answer ends the waiting: a word, or a number without certain bits."""
    if not poll.clear:
        return any(same_word(told, word) for word in poll.until)
    try:
        return not int(number(told)) & poll.clear
    except PreambleError:
        return False


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
    points = screen.points or family.waveform.most_points
    for command in family.waveform.select:
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
    width = width_of(family.waveform)
    query = family.waveform.data.format(n=channel)
    _see_in_time(link, family, points, deadline)
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


def _see_in_time(link: Link, family: Family, points: int | None, deadline: Deadline) -> None:
    """Refuse a record before it is asked for that this line cannot bring in time.

    Once it is under way, nothing can be put back before it has come.
    """
    if not link.transfer_s(1):
        return
    expected = _memory_points(link, family, deadline) if points is None else points
    size = expected * width_of(family.waveform)
    needed_s = link.transfer_s(size)
    if needed_s > deadline.left_s:
        raise SourceUnavailable(
            f"{link.what}: a channel's record has {size} bytes and takes {needed_s:.0f} s over "
            "this serial line; connect the scope by its network or USB port, or raise its baud "
            "rate and baud= in the address"
        )


def _memory_points(link: Link, family: Family, deadline: Deadline) -> int:
    """Return how long a record is by the memory that it has; 0 where that is not told."""
    setting = family.settings.get("memory")
    if setting is None:
        return 0
    try:
        return int(number(link.ask(setting.ask, deadline)))
    except PreambleError:
        return 0


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
