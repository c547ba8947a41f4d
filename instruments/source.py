"""What every source of samples is: blocks, roles, the class that all sources inherit, its errors.

Errors form one tree, each with a message of one sentence that names the thing and the mend::

    SourceError
    +-- AddressError        an address or a list of roles that cannot be used as written
    +-- SourceUnavailable   the thing is not there, or refuses what was asked of it
    +-- FormatError         a capture that cannot be read
    +-- SourceTimeout       nothing came within the time allowed; the source is still open
    +-- SourceLost          the thing went away while open; close, and open again
    +-- SourceEnd           a finite source has given all it holds (no fault)
"""

from __future__ import annotations

import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from instruments.proof import InputIdentity, InputProof


class SourceError(Exception):
    """The root of everything that a source reports."""


class AddressError(SourceError):
    """An address or a list of roles cannot be used as written."""


class SourceUnavailable(SourceError):  # noqa: N818 - reads as the state that it names
    """The thing behind an address is not there, or refuses what was asked of it."""


class FormatError(SourceError):
    """A capture cannot be read."""


class SourceTimeout(SourceError):  # noqa: N818
    """Nothing came within the time allowed; the source is still open."""


class SourceLost(SourceError):  # noqa: N818
    """The thing went away while it was open."""


class SourceEnd(SourceError):  # noqa: N818
    """A finite source has given all that it holds."""


class Role(StrEnum):
    """What a channel carries."""

    PLUS = "plus"
    """One phase of the differential read signal."""
    MINUS = "minus"
    """The other phase; the differential is plus − minus."""
    DIFFERENTIAL = "differential"
    """The differential itself, from one differential probe or a maths channel."""
    ENVELOPE = "envelope"
    """The output of an external detector."""
    INDEX = "index"
    """The index pulse."""


UNSTATED_TOLERANCE = 0.2
"""Part within which a corner or threshold is known whose tolerance is not stated: capacitors of the
usual kind are ±20 % (common practice)."""

ChannelRoles = tuple[Role | None, ...]
"""What each channel carries, in their order; None is a channel that is skipped."""


@dataclass(frozen=True, slots=True)
class Block:
    """A run of consecutive frames.

    Attributes
    ----------
    samples_v : numpy.ndarray
        float32, shape (frames, channels), C-contiguous, in volts, one column for each of the
        source's roles. The block owns it: nobody writes to it afterwards.
    sample_rate_hz : float
        Frames a second.
    first_index : int
        Absolute index of the first frame since the source was opened; lost frames are counted.
    t0_s : float
        Monotonic time of the first frame, in seconds.
    gap_before : bool
        Frames were lost between the block before and this one, or time is not continuous.
    overrun : bool
        The loss was the reader's: it did not keep up.
    clipped : bool
        The device says that it clipped within the block.
    uncalibrated : bool
        The volts are relative: the full scale is not known.
    min_max : bool
        Frames are min/max pairs of equal stretches of time (bins), not samples: an even number
        of rows, the lowest value of a bin and then its highest in turn, each column for itself;
        a bin lasts 2/``sample_rate_hz``. Of a differential they are min(plus) − max(minus) and
        max(plus) − min(minus).
    at_index : bool
        The first frame is at an edge of the index: a sweep that the index triggered.
    """

    samples_v: NDArray[np.float32]
    sample_rate_hz: float
    first_index: int
    t0_s: float
    gap_before: bool = False
    overrun: bool = False
    clipped: bool = False
    uncalibrated: bool = False
    min_max: bool = False
    at_index: bool = False

    @property
    def end_index(self) -> int:
        """Absolute index of the frame after the last."""
        return self.first_index + len(self.samples_v)

    def time_of(self, index: int) -> float:
        """Return the monotonic time of a frame within or near the block, in seconds."""
        return self.t0_s + (index - self.first_index) / self.sample_rate_hz

    def part(self, start: int, stop: int | None = None) -> Block:
        """Return frames `start` to `stop` of the block, a view; what is said of all stands."""
        cut_off = start > 0
        return replace(
            self,
            samples_v=self.samples_v[start:stop],
            first_index=self.first_index + start,
            t0_s=self.time_of(self.first_index + start),
            gap_before=self.gap_before and not cut_off,
            overrun=self.overrun and not cut_off,
            at_index=self.at_index and not cut_off,
        )

    def goes_on_with(self, after: Block) -> bool:
        """Tell whether the frames of `after` follow on, and the same is said of them."""
        broken = after.gap_before or after.overrun or after.at_index
        return (
            not broken
            and after.first_index == self.end_index
            and after.sample_rate_hz == self.sample_rate_hz
            and after.clipped == self.clipped
            and after.uncalibrated == self.uncalibrated
            and after.min_max == self.min_max
        )


@dataclass(frozen=True, slots=True)
class SourceInfo:
    """What is known of a source once it is open.

    Attributes
    ----------
    name : str
        The address, as a person would type it.
    roles : tuple of Role
        One a column of the blocks, in order; columns skipped by the user are not delivered.
    roles_from : str
        ``"given"``, ``"file"`` (the capture's own names) or ``"default"``.
    sample_rate_hz : float
        Nominal frames a second.
    bandwidth_hz : float
        Highest frequency that arrives undiminished.
    low_corner_hz : float or None
        Corner of the input's high-pass; 0 for a DC-coupled input, None when not known.
    low_corner_part : float
        Its tolerance, as a part of it.
    continuous : bool
        False for a source of separate sweeps.
    live : bool
        True when samples come at the pace of real time and cannot be read again.
    virtual : bool
        True when what is measured is the virtual drive, also by way of a file.
    mixed_hz : float or None
        The signal was mixed down with this frequency before it was sampled; None where it was not.
    length_frames : int or None
        Frames in all, for a finite source.
    full_scale_v : float or None
        Volts at which the input clips, when known.
    proof : InputProof or None
        What a check measured of this input, where one holds for it.
    inputs : int
        Channels that a min/max differential is made of, each with its own noise: 2 where the
        source made it of both phases.
    notes : tuple of str
        Sentences that the user should see beside any result.
    """

    name: str
    roles: tuple[Role, ...]
    roles_from: str
    sample_rate_hz: float
    bandwidth_hz: float
    low_corner_hz: float | None = None
    low_corner_part: float = UNSTATED_TOLERANCE
    continuous: bool = True
    live: bool = False
    virtual: bool = False
    mixed_hz: float | None = None
    length_frames: int | None = None
    full_scale_v: float | None = None
    proof: InputProof | None = None
    inputs: int = 1
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SourceRequest:
    """What the user asks of a source beside its address.

    Attributes
    ----------
    roles : tuple of (Role or None) or None
        One a column, None for a column to skip; None when nothing was said, and the source's
        own names or a default decide.
    paced : bool
        Whether a source without a clock of its own (the virtual drive) keeps real time; a
        capture file is never paced.
    fresh : bool
        Whether what an earlier check kept of the input is passed over: it is being checked anew.
    """

    roles: ChannelRoles | None = None
    paced: bool = True
    fresh: bool = False


class Source(ABC):
    """A thing that delivers blocks.

    One thread opens, reads and closes. ``close`` may be called again and from another thread,
    never raises and returns within two seconds. A closed source can be opened again.
    """

    silence_s = 5.0
    """From an open source something comes within so many seconds, or it is given up."""
    identity: InputIdentity | None = None
    """What a check of the open source would hold for; None where it is not known again."""
    _info: SourceInfo | None = None

    @property
    def info(self) -> SourceInfo:
        """What is known of the source; complete after :meth:`open`.

        Raises
        ------
        SourceUnavailable
            When nothing is known of it before it was opened.
        """
        if self._info is None:
            raise SourceUnavailable("the source is not open; open it first")
        return self._info

    @property
    def settings(self) -> tuple[tuple[str, str], ...]:
        """The instrument's settings as last read back: name, and value with its unit."""
        return ()

    @property
    def instrument(self) -> str:
        """What the instrument says of itself (make, model, serial number); empty where nothing."""
        return ""

    @property
    def controls(self) -> PracticeControls | None:
        """The hands at the virtual drive, for any thread; None at every other source."""
        return None

    @property
    def has_deep_record(self) -> bool:
        """Whether :meth:`fetch_deep` is to be recorded rather than what :meth:`read` gives."""
        return False

    @abstractmethod
    def open(self) -> None:
        """Make ready to read; raises a :class:`SourceError`."""

    @abstractmethod
    def read(self, timeout_s: float) -> Block:
        """Return the next block, waiting for it no longer than `timeout_s`."""

    @abstractmethod
    def close(self) -> None:
        """Let go of the device or file."""

    def fetch_deep(self) -> Block:
        """Return one record at the full rate of the instrument's memory, plain samples."""
        raise SourceUnavailable(f"source “{self.info.name}” has no memory to read; use its blocks")

    def blocks(
        self, wait_s: float = 0.5, clock: Callable[[], float] = time.monotonic
    ) -> Iterator[Block | None]:
        """Read an open source to its end; None stands for each `wait_s` in which nothing came.

        Raises
        ------
        SourceTimeout
            When nothing has come for :attr:`silence_s`. Time that the caller spends on a block
            does not count.
        SourceError
            As :meth:`read`, but for the end.
        """
        heard_s = clock()
        while True:
            try:
                block = self.read(wait_s)
            except SourceEnd:
                return
            except SourceTimeout:
                if clock() - heard_s >= self.silence_s:
                    raise
                yield None
            else:
                yield block
                heard_s = clock()


@dataclass(frozen=True, slots=True)
class Hidden:
    """What a drive of the practice bench hides: the truth, for who has done the job.

    Attributes
    ----------
    fault : str
        The kind of fault.
    found_um, left_um : float
        Middle of head 0 before any hand moved it, and now, outward positive.
    hysteresis_um : float
        Distance of the two positions of rest.
    apart_um : float
        How far head 1 is outward of head 0.
    clamp_um : float
        Shift of the disk by a seating, root mean square.
    """

    fault: str
    found_um: float
    left_um: float
    hysteresis_um: float
    apart_um: float
    clamp_um: float


@runtime_checkable
class PracticeControls(Protocol):
    """The hands at the virtual drive; as :attr:`Source.controls` offers them.

    Every method may be called from any thread and takes effect on the next samples, or once those
    before it are done.
    """

    def nudge(self, offset_um: float) -> None:
        """Turn the stepper's body so that the head moves outward by `offset_um`."""

    def step(self, tracks: int) -> None:
        """Step the head `tracks` tracks inward (positive) or outward (negative)."""

    def wait(self, seconds: float) -> None:
        """Let so much of the drive's time pass before what follows."""

    def let_pass(self, seconds: float) -> None:
        """Let the drive run for so long, which nobody need wait for where it is not live."""

    def push(self, outward: bool) -> None:
        """Push the arm lightly to one side, and let it go."""

    def reseat(self) -> None:
        """Open the clamp and close it again, which takes a while: a new seating of the disk."""

    def seek(self, track: int) -> None:
        """Step the head to a track."""

    def select(self, side: int) -> None:
        """Select the head of a side, 0 or 1."""

    def loosen(self) -> None:
        """Loosen the clamp screws of the stepper's body."""

    def tighten(self) -> None:
        """Tighten the clamp screws; that moves the body."""

    def trim_speed(self, percent: float) -> None:
        """Turn the speed trimmer: the spindle turns faster by `percent`."""

    def insert(self, disk: str) -> None:
        """Change the disk: ``"alignment"``, ``"scratch"``, or ``"protected"`` (covered)."""

    def write(self, pattern: str) -> None:
        """Write the track under the head, ``"1F"`` or ``"2F"``, unless that is protected."""

    def zero_gauge(self) -> None:
        """Set the dial gauge at the carriage to zero."""

    def is_worn(self, part: str) -> bool:
        """Tell whether an eye sees wear at a part of the mechanics."""
        ...

    @property
    def hidden(self) -> Hidden | None:
        """What a drive of the practice bench hides, None for any other; never for the analysis."""
        return None

    @property
    def gauge_um(self) -> float:
        """What the dial gauge at the carriage says: by how much the head was moved outward."""
        ...

    @property
    def write_protected(self) -> bool:
        """What the drive's write-protect sensor says."""
        ...

    @property
    def at_track_zero(self) -> bool:
        """What the drive's track-zero sensor says."""
        ...


def parse_roles(text: str) -> ChannelRoles:
    """Read a comma-separated list of roles, with None for each skipped column (``-``).

    Parameters
    ----------
    text : str
        For example ``"plus,minus,index"`` or ``"-,differential"``.

    Raises
    ------
    AddressError
        When a name is not a role, a role is named twice, or the roles do not fit together.
    """
    roles: list[Role | None] = []
    for name in (part.strip().lower() for part in text.split(",")):
        if name == "-":
            roles.append(None)
            continue
        try:
            role = Role(name)
        except ValueError:
            known = ", ".join(Role)
            raise AddressError(
                f"roles “{text}”: “{name}” is not a role; use {known}, or - to skip a column"
            ) from None
        if role in roles:
            raise AddressError(f"roles “{text}”: “{name}” is named twice; name each role once")
        roles.append(role)
    check_roles(tuple(role for role in roles if role is not None), text)
    return tuple(roles)


def check_roles(roles: tuple[Role, ...], text: str) -> None:
    """Refuse roles from which no lobe can be measured.

    Raises
    ------
    AddressError
        Unless there is exactly one of: plus with minus, differential, envelope.
    """
    signals = set(roles) - {Role.INDEX}
    if signals not in ({Role.PLUS, Role.MINUS}, {Role.DIFFERENTIAL}, {Role.ENVELOPE}):
        raise AddressError(
            f"roles “{text}”: the lobes need plus and minus together, or differential alone, "
            "or envelope alone, each with or without index"
        )
