"""Frames on standard input as a source: what another program captures and pipes in.

Threads: *pipe-reader*, one for each opening, alone reads the descriptor and counts its bytes; the
source's reader takes them from :class:`Feed`; any thread may close. Where a system cannot wait for
a pipe (Windows), the thread outlives the closing until the next bytes come.
"""

from __future__ import annotations

import os
import select
import sys
import threading
import time
from abc import abstractmethod
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from instruments.file.roles import ColumnChoice, choose_columns
from instruments.options import AddressOptions, Option
from instruments.pipe.frames import (
    DTYPES,
    MOST_CHANNELS,
    RATES_HZ,
    FrameForm,
    Frames,
    RawFrames,
    WavFrames,
)
from instruments.source import (
    AddressError,
    Block,
    ChannelRoles,
    FormatError,
    Source,
    SourceEnd,
    SourceError,
    SourceInfo,
    SourceLost,
    SourceRequest,
    SourceTimeout,
    SourceUnavailable,
)

OPTIONS = (
    Option("dtype", "How a raw sample is written; nothing where WAV comes.", words=tuple(DTYPES)),
    Option("rate", "Frames a second, of raw frames."),
    Option("channels", "Samples of a raw frame."),
    Option("full_scale_v", "Volts of the largest sample; relative volts without it."),
    Option("mixed_hz", "Frequency of an oscillator that the signal was mixed with, in Hz."),
)
KEYS = tuple(each.key for each in OPTIONS)


@dataclass(frozen=True, slots=True)
class StreamOptions:
    """What comes as a stream of bytes.

    Attributes
    ----------
    form : FrameForm or None
        How raw frames are written; None where it is WAV, whose header tells.
    full_scale_v : float or None
        Volts of a sample of 1.0, or of the largest integer.
    mixed_hz : float or None
        With what the signal was mixed down before it was sampled.
    """

    form: FrameForm | None = None
    full_scale_v: float | None = None
    mixed_hz: float | None = None

    def frames(self) -> Frames:
        """Return a reader of such frames, at the beginning."""
        return RawFrames(self.form) if self.form else WavFrames()


def read_options(text: str, options: Mapping[str, str]) -> StreamOptions:
    """Check an address's options and read them.

    Raises
    ------
    AddressError
        When one is missing, is no option, or has a value that it cannot have.
    """
    given = AddressOptions(text, options, KEYS)
    stated = [key for key in ("rate", "dtype", "channels") if key in options]
    for key in ("rate", "dtype", "channels"):
        if stated and key not in stated:
            raise AddressError(
                f"address “{text}”: “{key}” is missing, and raw frames do not tell it; write for "
                "example ?rate=1000000&dtype=float32&channels=2, or none of the three where WAV "
                "comes"
            )
    full_scale_v = given.number("full_scale_v", 1e-6, 1e6)
    dtype = given.word("dtype", DTYPES)
    channels = given.number("channels", 1, MOST_CHANNELS, whole="a whole number")
    rate_hz = given.number("rate", *RATES_HZ)
    if dtype is None or channels is None or rate_hz is None:
        return StreamOptions(None, full_scale_v, given.mixed_hz)
    form = FrameForm(rate_hz, dtype, int(channels))
    return StreamOptions(form, full_scale_v, given.mixed_hz)


STANDARD_INPUT = 0

_AT_ONCE = 1 << 18
_HELD = 1 << 24
"""Bytes that wait to be read; beyond them the program that writes has to wait."""
_LOOK_S = 0.1
_LEAVE_S = 0.5
_APART_S = 0.25
"""Times are no further than this from when the frames came."""
_MOST = 1e12
"""A float of more volts or codes, or so many times full scale, is no sample but other bytes."""


class StreamSource(Source):
    """Frames out of bytes that some program writes.

    float32 are volts, or parts of ``full_scale_v`` where that is given; a WAV's, and integers, are
    parts of it, and relative where it is not.

    Parameters
    ----------
    kind : str
        What messages begin with.
    options : StreamOptions
        What comes.
    roles : tuple or None
        One a column, as the user asks.
    name : str
        The address as it was typed.
    """

    def __init__(
        self, kind: str, options: StreamOptions, roles: ChannelRoles | None, name: str
    ) -> None:
        self._kind = kind
        self._options = options
        self._roles = roles
        self._name = name
        self._feed: Feed | None = None
        # Used by the reader only:
        self._reader = options.frames()
        self._columns: tuple[int, ...] = ()
        self._form: FrameForm | None = None
        self._early = b""
        self._count = 0
        self._was_foreign = False
        self._start_s: float | None = None
        if options.form:
            self._know(options.form)

    @abstractmethod
    def _begin(self) -> Feed:
        """Return the bytes of a new opening; `_reader` stands where they begin."""

    def open(self) -> None:
        """Begin to listen, at the beginning of a frame; a WAV's header is waited for.

        Raises
        ------
        SourceUnavailable
            When nothing can be listened to, or no header comes.
        FormatError
            When what comes is no WAV.
        """
        self.close()
        self._early, self._count, self._start_s = b"", 0, None
        self._was_foreign = False
        self._feed = self._begin()
        until_s = time.monotonic() + self.silence_s
        while self._reader.form is None:
            data = self._feed.get(max(0.0, until_s - time.monotonic()))
            if data is None:
                raise SourceUnavailable(self._said(f"no WAV came within {self.silence_s:g} s"))
            if not data:
                raise self._end()
            self._early += self._whole(data)
        self._know(self._reader.form)

    def read(self, timeout_s: float) -> Block:
        """Return the frames that have come.

        Raises
        ------
        SourceTimeout
            When there was no whole frame in that time.
        SourceEnd
            When the program that writes has ended.
        FormatError
            When it ended without a frame, or within one.
        SourceLost
            When the bytes cannot be read.
        """
        feed = self._feed
        if feed is None or feed.closed:
            raise SourceUnavailable(f"{self._kind}: it is not open; open it first")
        if self._early:
            early, self._early = self._early, b""
            return self._block(early)
        until_s = time.monotonic() + timeout_s
        while True:
            data = feed.get(max(0.0, until_s - time.monotonic()))
            if data is None:
                raise SourceTimeout(self._said(f"no frame came within {timeout_s:g} s"))
            if not data:
                raise self._end()
            whole = self._whole(data)
            if whole:
                return self._block(whole)

    def close(self) -> None:
        """Stop listening; from any thread, within two seconds. Bytes not yet read are lost."""
        feed = self._feed
        if feed is not None:
            feed.close()

    def _said(self, fault: str) -> str:
        """Return a message with that fault."""
        return f"{self._kind}: {fault}"

    def _whole(self, data: bytes) -> bytes:
        try:
            return self._reader.take(data)
        except FormatError as fault:
            raise FormatError(self._said(str(fault))) from None

    def _know(self, form: FrameForm) -> None:
        """Take up how frames are written, which says what there is to know of the source."""
        self._form = form
        choice = choose_columns(self._name, form.channels, self._roles)
        self._columns = choice.columns
        self._info = _info(self._name, form, self._options, self._relative, choice)

    @property
    def _relative(self) -> bool:
        """Whether nobody knows how many volts a sample is."""
        raw_volts = self._options.form is not None and self._options.form.dtype == "float32"
        return self._options.full_scale_v is None and not raw_volts

    def _end(self) -> SourceError:
        if torn := self._reader.torn:
            frame_bytes = self._form.frame_bytes if self._form else 0
            return FormatError(
                self._said(
                    f"the last frame is torn: {torn} of its {frame_bytes} bytes came; check dtype "
                    "and channels, and that the program that writes comes to its end"
                )
            )
        if not self._count:
            return FormatError(
                self._said("it ended without a frame; check the program that writes")
            )
        return SourceEnd(self._said("the program that writes has ended"))

    def _block(self, data: bytes) -> Block:
        form = self._form
        assert form is not None
        values = form.samples(data)
        factor = np.float32(self._options.full_scale_v or 1.0)
        samples_v = np.empty((len(values), len(self._columns)), np.float32)
        is_foreign = False
        # Bytes that are no numbers are passed on as such.
        with np.errstate(invalid="ignore", over="ignore"):
            for place, column in enumerate(self._columns):
                np.multiply(values[:, column], factor, out=samples_v[:, place])
            if form.dtype == "float32":
                strange = np.abs(values) > _MOST
                samples_v[strange[:, list(self._columns)]] = np.nan
                is_foreign = bool(np.isfinite(values[strange]).any())
        # Bytes that another program wrote are none of the signal's time.
        gap_before = self._reader.joined or self._was_foreign or is_foreign
        self._was_foreign = is_foreign
        first, self._count = self._count, self._count + len(values)
        return Block(
            samples_v=samples_v,
            sample_rate_hz=form.rate_hz,
            first_index=first,
            t0_s=self._begun_s(form.rate_hz) + first / form.rate_hz,
            gap_before=gap_before,
            uncalibrated=self._relative,
        )

    def _begun_s(self, rate_hz: float) -> float:
        """Return the time of the first frame, so that the newest one came now or nearly so."""
        here_s = time.monotonic() - self._count / rate_hz
        if self._start_s is None or abs(here_s - self._start_s) > _APART_S:
            self._start_s = here_s
        return self._start_s


def _info(
    name: str, form: FrameForm, options: StreamOptions, relative: bool, choice: ColumnChoice
) -> SourceInfo:
    note = (
        "The samples have no scale: full scale is taken as 1 V, so that volts are relative; "
        "ratios are not touched."
    )
    return SourceInfo(
        name=name,
        roles=choice.roles,
        roles_from=choice.roles_from,
        sample_rate_hz=form.rate_hz,
        bandwidth_hz=form.rate_hz / 2,
        live=True,
        full_scale_v=1.0 if relative and form.dtype != "float32" else options.full_scale_v,
        mixed_hz=options.mixed_hz,
        notes=(note,) if relative else (),
    )


class PipeSource(StreamSource):
    """Frames from a descriptor, by default standard input.

    Parameters
    ----------
    options : StreamOptions
        What comes.
    request : SourceRequest
        What else the user asks for.
    name : str
        The address as it was typed.
    descriptor : int
        Where from; it stays open.
    """

    def __init__(
        self,
        options: StreamOptions,
        request: SourceRequest,
        name: str,
        descriptor: int = STANDARD_INPUT,
    ) -> None:
        super().__init__("pipe", options, request.roles, name)
        self._descriptor = descriptor

    @classmethod
    def from_options(
        cls, text: str, options: Mapping[str, str], request: SourceRequest
    ) -> PipeSource:
        """Make a source from the options of an address ``pipe:?option=text&…``.

        Raises
        ------
        AddressError
            When one cannot be used.
        """
        return cls(read_options(text, options), request, text)

    def _begin(self) -> Feed:
        before = self._feed
        if before is not None and before.busy:
            raise SourceUnavailable(
                "pipe: the reading before this still waits; start the program that writes again"
            )
        try:
            os.fstat(self._descriptor)
        except OSError:
            raise SourceUnavailable(
                "pipe: there is no standard input; pipe a program's output in"
            ) from None
        if os.isatty(self._descriptor):
            raise SourceUnavailable(
                "pipe: standard input is the keyboard; pipe a program's output in, as "
                "PROGRAM | evenlobe measure pipe:"
            )
        if before is not None:
            try:
                self._reader.lose(before.unread)
            except FormatError as fault:
                raise FormatError(self._said(str(fault))) from None
        return Feed(self._descriptor, self._kind)


class Feed:
    """Bytes from a descriptor, held until they are taken.

    Parameters
    ----------
    descriptor : int
        Where from.
    kind : str
        What messages begin with.
    """

    def __init__(self, descriptor: int, kind: str) -> None:
        self._descriptor = descriptor
        self._kind = kind
        # Written by the reading thread only:
        self._taken = 0
        self._fault = ""
        self._over = False
        # Written by who gets:
        self._given = 0
        # Guarded by the condition:
        self._changed = threading.Condition()
        self._held: deque[bytes] = deque()
        self._bytes = 0
        # Set by whoever closes:
        self.closed = False
        self._thread = threading.Thread(target=self._run, name="pipe-reader", daemon=True)
        self._thread.start()

    @property
    def busy(self) -> bool:
        """Whether its thread is still reading."""
        return self._thread.is_alive()

    @property
    def unread(self) -> int:
        """Bytes that were read from the descriptor and not got by anybody."""
        return self._taken - self._given

    def get(self, timeout_s: float) -> bytes | None:
        """Return all that is held, nothing at the end; None when nothing comes in time.

        Raises
        ------
        SourceLost
            When it cannot be read, or was closed.
        """
        with self._changed:
            self._changed.wait_for(lambda: self._held or self._over or self.closed, timeout_s)
            if self.closed:
                raise SourceLost(f"{self._kind}: it was closed while it was read; open it again")
            if self._held:
                data = b"".join(self._held)
                self._held.clear()
                self._bytes = 0
                self._given += len(data)
                self._changed.notify_all()
                return data
            if self._fault:
                raise SourceLost(f"{self._kind}: it cannot be read ({self._fault}); start again")
            return b"" if self._over else None

    def close(self) -> None:
        """Let the thread end, and wait for that a little."""
        with self._changed:
            self.closed = True
            self._held.clear()
            self._changed.notify_all()
        self._thread.join(_LEAVE_S)

    def _run(self) -> None:
        try:
            while not self.closed:
                if not _is_ready(self._descriptor):
                    continue
                data = os.read(self._descriptor, _AT_ONCE)
                self._taken += len(data)
                if not data:
                    break
                self._hold(data)
        except (OSError, ValueError) as fault:  # ValueError: the descriptor is closed
            self._fault = getattr(fault, "strerror", None) or str(fault)
        with self._changed:
            self._over = True
            self._changed.notify_all()

    def _hold(self, data: bytes) -> None:
        with self._changed:
            self._changed.wait_for(lambda: self._bytes < _HELD or self.closed)
            if not self.closed:
                self._held.append(data)
                self._bytes += len(data)
                self._changed.notify_all()


def _is_ready(descriptor: int) -> bool:
    """Tell whether a read would not wait, after a little while at most."""
    if sys.platform == "win32":
        import msvcrt

        # Without this, line ends would be taken out of the samples; a read always waits there.
        msvcrt.setmode(descriptor, os.O_BINARY)
        return True
    return bool(select.select([descriptor], [], [], _LOOK_S)[0])
