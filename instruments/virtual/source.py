"""The virtual drive as a source of samples: ``sim:``.

Threads: one reads, and it alone touches the drive. The hands (:attr:`VirtualSource.controls`) may
be called from any thread: they append to a queue that the reading thread empties. ``close`` may
come from any thread: it writes ``_opened_s``, which otherwise the reading thread writes.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Mapping
from math import floor, inf, isfinite

from instruments.source import (
    Block,
    Hidden,
    PracticeControls,
    Role,
    Source,
    SourceInfo,
    SourceRequest,
    SourceTimeout,
    SourceUnavailable,
    check_roles,
)
from instruments.virtual.disk import DiskIn
from instruments.virtual.drive import VirtualDrive
from instruments.virtual.params import VirtualParams, format_address, read_options
from instruments.virtual.practice import afflicted
from instruments.virtual.sampling import BAND, DEFAULT_ROLES, digitiser_for

_LIVE_BLOCK_S = 0.01
_FAST_BLOCK_S = 0.1
_FAST_BLOCK_FRAMES = 65536
_KEPT_S = 1.0
"""A reader later than this loses frames, as with a device whose buffer is full."""

_OPEN_S = 0.8
"""For so long the clamp is open when the disk is seated anew."""

_Hand = Callable[[VirtualDrive, float], object]
"""Told the drive, and the drive's own time."""


class VirtualSource(Source):
    """The virtual drive, sampled; it never ends.

    A source that is opened again goes on with the drive as it was left.

    Parameters
    ----------
    params : VirtualParams
        What the drive is like.
    roles : tuple of Role or None, optional
        One a column, None is left out; plus, minus and index when not given.
    paced : bool, optional
        Deliver at the pace of `clock`, or as fast as can be; as `params` say when not given.
    address : str, optional
        The address as it was typed.
    clock, sleep : callable
        Monotonic seconds, and waiting for some; tests put their own here.

    Raises
    ------
    AddressError
        When the roles do not fit together.
    """

    def __init__(
        self,
        params: VirtualParams,
        roles: tuple[Role | None, ...] | None = None,
        *,
        paced: bool | None = None,
        address: str | None = None,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._name = address or format_address(params)
        fault, params = afflicted(params)
        kept = DEFAULT_ROLES if roles is None else tuple(role for role in roles if role)
        check_roles(kept, ",".join(role or "-" for role in roles or kept))
        self._rate_hz = params.rate
        self._paced = params.pace == "live" if paced is None else paced
        self._clock = clock
        self._sleep = sleep
        self._drive = VirtualDrive(params)
        self._digitiser = digitiser_for(params, self._drive, kept, params.rate)
        self._hands: deque[tuple[float, _Hand]] = deque()
        hand = (self._ask, self._rest, self._let_pass)
        self._controls = _Hands(*hand, self._drive, fault, params)
        self._resting_s = -inf
        self._opened_s: float | None = None
        self._next = 0
        self._passed_over = 0
        self._origin = 0
        fast_frames = min(_FAST_BLOCK_FRAMES, params.rate * _FAST_BLOCK_S)
        frames = params.rate * _LIVE_BLOCK_S if self._paced else fast_frames
        self._block_frames = max(round(frames), 1)
        self._info = SourceInfo(
            name=self._name,
            roles=kept,
            roles_from="default" if roles is None else "given",
            sample_rate_hz=params.rate,
            bandwidth_hz=BAND * params.rate,
            low_corner_hz=params.low_corner_hz if Role.ENVELOPE in kept else 0.0,
            live=self._paced,
            virtual=True,
            full_scale_v=params.full_scale_v if isfinite(params.full_scale_v) else None,
        )

    @classmethod
    def from_options(
        cls, address: str, options: Mapping[str, str], request: SourceRequest
    ) -> VirtualSource:
        """Return the source that a ``sim:`` address names, its options already split.

        Raises
        ------
        AddressError
            When the options or the roles cannot be used; the message says what can.
        """
        params = read_options(address, options)
        paced = request.paced and params.pace == "live"
        return cls(params, request.roles, paced=paced, address=address)

    @property
    def controls(self) -> PracticeControls:
        """The hands at the drive, for any thread."""
        return self._controls

    @property
    def drive(self) -> VirtualDrive:
        """The drive itself and its truth, for tests; only while no other thread reads."""
        return self._drive

    def open(self) -> None:
        """Start sampling; frames are counted from 0 again."""
        if self._opened_s is None:
            self._origin += self._next
            self._next = 0
            self._opened_s = self._clock()

    def close(self) -> None:
        """Stop sampling."""
        self._opened_s = None

    def read(self, timeout_s: float) -> Block:
        """Return the next block, waiting for it no longer than `timeout_s`.

        Raises
        ------
        SourceTimeout
            When the block is not complete in that time.
        SourceUnavailable
            When the source is closed, also when that happens during the wait.
        """
        opened_s = self._require_open()
        late = self._paced and self._keep_pace(opened_s, timeout_s)
        self._use_hands(opened_s + self._next / self._rate_hz)
        passed = self._pass_over()
        first = self._next
        t0_s = opened_s + first / self._rate_hz
        samples_v, clipped = self._digitiser.take(self._origin + first, self._block_frames)
        self._next = first + self._block_frames
        return Block(
            samples_v=samples_v,
            sample_rate_hz=self._rate_hz,
            first_index=first,
            t0_s=t0_s,
            gap_before=late or passed,
            overrun=late,
            clipped=clipped,
        )

    def _require_open(self) -> float:
        opened_s = self._opened_s
        if opened_s is None:
            raise SourceUnavailable(f"source “{self._name}” is closed; open it to read")
        return opened_s

    def _keep_pace(self, opened_s: float, timeout_s: float) -> bool:
        """Wait until the next block is complete; return whether frames were dropped before it."""
        due_s = opened_s + (self._next + self._block_frames) / self._rate_hz
        now_s = self._clock()
        if now_s - due_s > _KEPT_S:
            self._next = floor((now_s - opened_s) * self._rate_hz) - self._block_frames
            return True
        give_up_s = now_s + timeout_s
        while now_s < due_s:
            if now_s >= give_up_s:
                raise SourceTimeout(
                    f"source “{self._name}”: no block within {timeout_s:g} s; read again"
                )
            self._sleep(min(due_s, give_up_s) - now_s)
            self._require_open()
            now_s = self._clock()
        return False

    def _ask(self, hand: _Hand) -> None:
        # Live, a hand that moves at a moment shows in the samples from that moment on.
        self._hands.append((self._clock() if self._paced else -inf, hand))

    def _rest(self, seconds: float) -> None:
        """Let the hands rest; asked for like everything that they do."""

        def rest(drive: VirtualDrive, at_s: float) -> None:
            self._resting_s = at_s + seconds

        self._ask(rest)

    def _use_hands(self, until_s: float) -> None:
        at_s = (self._origin + self._next) / self._rate_hz
        while self._hands and self._hands[0][0] <= until_s and at_s >= self._resting_s:
            _, hand = self._hands.popleft()
            hand(self._drive, at_s)

    def _let_pass(self, seconds: float) -> None:
        """Pass time over; at the pace of real time nothing can, and it passes by itself."""
        if self._paced:
            return

        def pass_over(drive: VirtualDrive, at_s: float) -> None:
            self._passed_over += round(seconds * self._rate_hz)

        self._ask(pass_over)

    def _pass_over(self) -> bool:
        """Go on with the samples after those that are passed over; returns whether there were."""
        frames, self._passed_over = self._passed_over, 0
        self._next += frames
        return frames > 0


class _Hands(PracticeControls):
    """The hands at the virtual drive; they ask, and the reading thread does."""

    def __init__(
        self,
        ask: Callable[[_Hand], None],
        rest: Callable[[float], None],
        let_pass: Callable[[float], None],
        drive: VirtualDrive,
        fault: str,
        params: VirtualParams,
    ) -> None:
        self._ask = ask
        self._rest = rest
        self._let_pass = let_pass
        self._drive = drive
        self._fault, self._params = fault, params
        self._found_um = drive.positioner.middle_um

    def wait(self, seconds: float) -> None:
        """Let so much of the drive's time pass before what follows."""
        _check(seconds, "a wait", "s")
        self._rest(seconds)

    def let_pass(self, seconds: float) -> None:
        """Let the drive run for so long, which nobody need wait for where it is not live."""
        _check(seconds, "a wait", "s")
        self._let_pass(seconds)

    def push(self, outward: bool) -> None:
        """Push the arm lightly to one side, and let it go."""
        self._ask(lambda drive, at_s: drive.push(outward))

    def nudge(self, offset_um: float) -> None:
        """Turn the stepper's body so that the head moves outward by `offset_um`."""
        _check(offset_um, "a nudge", "µm")
        self._ask(lambda drive, at_s: drive.nudge(offset_um))

    def step(self, tracks: int) -> None:
        """Step the head `tracks` tracks inward (positive) or outward (negative)."""
        self._ask(lambda drive, at_s: drive.step(tracks))

    def seek(self, track: int) -> None:
        """Step the head to a track."""
        self._ask(lambda drive, at_s: drive.seek(track))

    def select(self, side: int) -> None:
        """Select the head of a side, 0 or 1."""
        if side not in (0, 1):
            raise ValueError(f"there is no side {side}; choose 0 or 1")
        self._ask(lambda drive, at_s: drive.select(side))

    def reseat(self) -> None:
        """Open the clamp and close it again."""
        self._ask(lambda drive, at_s: drive.lift())
        self._rest(_OPEN_S)
        self._ask(lambda drive, at_s: drive.reseat())

    def loosen(self) -> None:
        """Loosen the clamp screws of the stepper's body."""
        self._ask(lambda drive, at_s: drive.loosen())

    def tighten(self) -> None:
        """Tighten the clamp screws; that moves the body."""
        self._ask(lambda drive, at_s: drive.tighten())

    def trim_speed(self, percent: float) -> None:
        """Turn the speed trimmer: the spindle turns faster by `percent`."""
        _check(percent, "a trim", "%")
        self._ask(lambda drive, at_s: drive.trim_speed(percent, at_s))

    def insert(self, disk: str) -> None:
        """Change the disk: ``"alignment"``, ``"scratch"``, or ``"protected"``."""
        chosen = DiskIn(disk)
        self._ask(lambda drive, at_s: drive.insert(chosen))

    def write(self, pattern: str) -> None:
        """Write the track under the head, ``"1F"`` or ``"2F"``, unless that is protected."""
        if pattern not in ("1F", "2F"):
            raise ValueError(f"a track is written with 1F or 2F, not with “{pattern}”")
        self._ask(lambda drive, at_s: drive.write(pattern))

    def zero_gauge(self) -> None:
        """Set the dial gauge at the carriage to zero."""
        self._ask(lambda drive, at_s: drive.zero_gauge())

    def is_worn(self, part: str) -> bool:
        """Tell whether an eye sees wear at a part of the mechanics."""
        return self._drive.is_worn(part)

    @property
    def hidden(self) -> Hidden | None:
        """What a drive of the practice bench hides."""
        if not self._fault:
            return None
        return Hidden(
            fault=self._fault,
            found_um=self._found_um,
            left_um=self._drive.positioner.middle_um,
            hysteresis_um=self._params.backlash_um,
            apart_um=self._params.side_um,
            clamp_um=self._params.clamp_um,
        )

    @property
    def gauge_um(self) -> float:
        """What the dial gauge at the carriage says, outward positive."""
        return self._drive.gauge_um

    @property
    def write_protected(self) -> bool:
        """What the drive's write-protect sensor says."""
        return self._drive.write_protected

    @property
    def at_track_zero(self) -> bool:
        """What the drive's track-zero sensor says."""
        return self._drive.at_track_zero


def _check(amount: float, what: str, unit: str) -> None:
    if not isfinite(amount):
        raise ValueError(f"{what} of {amount} {unit} is none; give a finite number")
