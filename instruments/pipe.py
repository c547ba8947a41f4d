"""Raw frames on standard input as a source: what another program captures and pipes in.

Threads: *pipe-reader*, one for each opening, alone reads the descriptor and counts its bytes; the
source's reader takes them from :class:`_Feed`; any thread may close. Where a system cannot wait for
a pipe (Windows), the thread outlives the closing until the next bytes come.
"""

from __future__ import annotations

import os
import select
import sys
import threading
import time
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from instruments.file.csv import ColumnChoice, choose_columns
from instruments.options import AddressOptions
from instruments.source import (
    AddressError,
    Block,
    FormatError,
    Source,
    SourceEnd,
    SourceInfo,
    SourceLost,
    SourceRequest,
    SourceTimeout,
    SourceUnavailable,
)

DTYPES: Mapping[str, tuple[str, float]] = {"int16": ("<i2", 1 / 32768), "float32": ("<f4", 1.0)}
"""How a sample is written: numpy's name for it, little-endian, and its part of the full scale."""


@dataclass(frozen=True, slots=True)
class PipeOptions:
    """What comes down the pipe.

    Attributes
    ----------
    rate_hz : float
        Frames a second.
    dtype : str
        One of ``DTYPES``.
    channels : int
        Samples of a frame.
    full_scale_v : float or None
        Volts of a sample of 1.0, or of the largest integer.
    """

    rate_hz: float
    dtype: str
    channels: int
    full_scale_v: float | None = None

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame."""
        return self.channels * np.dtype(DTYPES[self.dtype][0]).itemsize

    @property
    def relative(self) -> bool:
        """Whether nobody knows how many volts a sample is."""
        return self.dtype == "int16" and self.full_scale_v is None


def read_options(text: str, options: Mapping[str, str]) -> PipeOptions:
    """Check an address's options and read them.

    Raises
    ------
    AddressError
        When one is missing, is no option, or has a value that it cannot have.
    """
    given = AddressOptions(text, options, ("dtype", "rate", "channels", "full_scale_v"))
    for key in ("rate", "dtype", "channels"):
        if key not in options:
            raise AddressError(
                f"address “{text}”: “{key}” is missing, and raw frames do not tell it; write for "
                "example pipe:?rate=1000000&dtype=float32&channels=2"
            )
    dtype = given.word("dtype", DTYPES)
    channels = given.number("channels", 1, 8, whole="a whole number")
    rate_hz = given.number("rate", 1e3, 1e9)
    assert dtype is not None
    assert channels is not None
    assert rate_hz is not None
    full_scale_v = given.number("full_scale_v", 1e-6, 1e6)
    return PipeOptions(rate_hz, dtype, int(channels), full_scale_v)


STANDARD_INPUT = 0

_AT_ONCE = 1 << 18
_HELD = 1 << 24
"""Bytes that wait to be read; beyond them the program that writes has to wait."""
_LOOK_S = 0.1
_LEAVE_S = 0.5
_APART_S = 0.25
"""Times are no further than this from when the frames came."""


class PipeSource(Source):
    """Frames from a descriptor, by default standard input.

    A frame is one sample of each channel in turn, little-endian. float32 are volts, or parts of
    ``full_scale_v`` where that is given; int16 are parts of it, and relative where it is not.

    Parameters
    ----------
    options : PipeOptions
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
        options: PipeOptions,
        request: SourceRequest,
        name: str,
        descriptor: int = STANDARD_INPUT,
    ) -> None:
        self._options = options
        self._descriptor = descriptor
        self._choice = choose_columns(name, options.channels, request.roles)
        self._info = _info(name, options, self._choice)
        self._feed: _Feed | None = None
        # Used by the reader only:
        self._left = b""
        self._frames = 0
        self._start_s: float | None = None

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

    def open(self) -> None:
        """Begin to listen, at the beginning of a frame.

        Raises
        ------
        SourceUnavailable
            When nothing is piped in.
        """
        self.close()
        before = self._feed
        if before is not None and before.busy:
            raise SourceUnavailable(
                "pipe: the reading before this still waits; start the program that writes again"
            )
        self._refuse_keyboard()
        self._left, self._frames, self._start_s = b"", 0, None
        # What was taken before may have ended within a frame.
        taken = 0 if before is None else before.taken
        self._feed = _Feed(self._descriptor, taken, -taken % self._options.frame_bytes)

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
            When the pipe cannot be read.
        """
        feed = self._feed
        if feed is None or feed.closed:
            raise SourceUnavailable("pipe: it is not open; open it first")
        until_s = time.monotonic() + timeout_s
        while True:
            data = feed.get(max(0.0, until_s - time.monotonic()))
            if data is None:
                raise SourceTimeout(f"pipe: no frame came within {timeout_s:g} s")
            if not data:
                raise self._end()
            data = self._left + data
            whole = len(data) - len(data) % self._options.frame_bytes
            self._left = data[whole:]
            if whole:
                return self._block(data[:whole])

    def close(self) -> None:
        """Stop listening; from any thread, within two seconds. Bytes not yet read are lost."""
        feed = self._feed
        if feed is not None:
            feed.close()

    def _refuse_keyboard(self) -> None:
        try:
            os.fstat(self._descriptor)
        except OSError:
            raise SourceUnavailable(
                "pipe: there is no standard input; pipe a program's output in"
            ) from None
        if os.isatty(self._descriptor):
            raise SourceUnavailable(
                "pipe: standard input is the keyboard; pipe a program's output in, as "
                "PROGRAM | evenlobe measure 'pipe:?…'"
            )

    def _end(self) -> FormatError | SourceEnd:
        if self._left:
            return FormatError(
                f"pipe: the last frame is torn: {len(self._left)} of its "
                f"{self._options.frame_bytes} bytes came; check dtype and channels, and that the "
                "program that writes comes to its end"
            )
        if not self._frames:
            return FormatError("pipe: it ended without a frame; check the program that writes")
        return SourceEnd("pipe: the program that writes has ended")

    def _block(self, data: bytes) -> Block:
        options, columns = self._options, self._choice.columns
        name, unit = DTYPES[options.dtype]
        values = np.frombuffer(data, name).reshape(-1, options.channels)
        samples_v = np.empty((len(values), len(columns)), np.float32)
        factor = np.float32(unit * (options.full_scale_v or 1.0))
        for place, column in enumerate(columns):
            np.multiply(values[:, column], factor, out=samples_v[:, place])
        first, self._frames = self._frames, self._frames + len(values)
        return Block(
            samples_v=samples_v,
            sample_rate_hz=options.rate_hz,
            first_index=first,
            t0_s=self._begun_s() + first / options.rate_hz,
            uncalibrated=options.relative,
        )

    def _begun_s(self) -> float:
        """Return the time of the first frame, so that the newest one came now or nearly so."""
        here_s = time.monotonic() - self._frames / self._options.rate_hz
        if self._start_s is None or abs(here_s - self._start_s) > _APART_S:
            self._start_s = here_s
        return self._start_s


def _info(name: str, options: PipeOptions, choice: ColumnChoice) -> SourceInfo:
    relative = (
        "The samples are integers with no scale: full scale is taken as 1 V, so that volts are "
        "relative; ratios are not touched."
    )
    full_scale_v = options.full_scale_v
    if options.relative:
        full_scale_v = 1.0
    return SourceInfo(
        name=name,
        roles=choice.roles,
        roles_from=choice.roles_from,
        sample_rate_hz=options.rate_hz,
        bandwidth_hz=options.rate_hz / 2,
        live=True,
        full_scale_v=full_scale_v,
        notes=(relative,) if options.relative else (),
    )


class _Feed:
    """Bytes from a descriptor, held until they are taken.

    Parameters
    ----------
    descriptor : int
        Where from.
    taken : int
        Bytes taken from it before.
    skip : int
        Bytes to leave out first.
    """

    def __init__(self, descriptor: int, taken: int, skip: int) -> None:
        self._descriptor = descriptor
        # Written by the reading thread only:
        self.taken = taken
        self._skip = skip
        self._fault = ""
        self._over = False
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
                raise SourceLost("pipe: it was closed while it was read; open it again")
            if self._held:
                data = b"".join(self._held)
                self._held.clear()
                self._bytes = 0
                self._changed.notify_all()
                return data
            if self._fault:
                raise SourceLost(f"pipe: it cannot be read ({self._fault}); start again")
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
                self.taken += len(data)
                if not data:
                    break
                self._hold(data)
        except (OSError, ValueError) as fault:  # ValueError: the descriptor is closed
            self._fault = getattr(fault, "strerror", None) or str(fault)
        with self._changed:
            self._over = True
            self._changed.notify_all()

    def _hold(self, data: bytes) -> None:
        left = data[self._skip :]
        self._skip -= len(data) - len(left)
        with self._changed:
            self._changed.wait_for(lambda: self._bytes < _HELD or self.closed)
            if left and not self.closed:
                self._held.append(left)
                self._bytes += len(left)
                self._changed.notify_all()


def _is_ready(descriptor: int) -> bool:
    """Tell whether a read would not wait, after a little while at most."""
    if sys.platform == "win32":
        import msvcrt

        # Without this, line ends would be taken out of the samples; a read always waits there.
        msvcrt.setmode(descriptor, os.O_BINARY)
        return True
    return bool(select.select([descriptor], [], [], _LOOK_S)[0])
