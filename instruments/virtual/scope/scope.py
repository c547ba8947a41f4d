"""The virtual scope: a message in, the steps of its reply out; no link, no sound of its own.

Threads: any number of links call :meth:`VirtualScope.deliver`; one message is carried out at a
time, under ``_lock``, which a wait for a sweep lets go between its looks. Faults are asked for
from any thread and live under ``_fault_lock``.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from math import isfinite

import numpy as np

from instruments.virtual.drive import VirtualDrive
from instruments.virtual.scope.acquisition import Acquisition
from instruments.virtual.scope.families import INTERPRETERS
from instruments.virtual.scope.faults import (
    ON_BLOCKS,
    Fault,
    Request,
    Step,
    check_place,
    faulty,
    sound,
)
from instruments.virtual.scope.frontend import FrontEnd
from instruments.virtual.scope.panel import Panel, new_panel
from instruments.virtual.scope.scpi import Buffer, ErrorQueue, ScpiError, number
from instruments.virtual.scope.sweeps import Sweeper
from instruments.virtual.truth import Truth

FAMILIES = tuple(INTERPRETERS)
_STEP_S = 0.005
_LONGEST_MESSAGE = 1 << 16


def _nobody_left() -> bool:
    return False


class VirtualScope:
    """A scope whose probes are on the virtual drive: 1 plus, 2 minus, 3 and EXT the index.

    Parameters
    ----------
    drive : VirtualDrive
        The drive.
    family : str
        One of :data:`FAMILIES`.
    seed : int
        Of the scope's own noise, and of garbage.
    clock, sleep : callable
        Monotonic seconds, and waiting for some; `clock` counts only when `paced`.
    paced : bool
        Whether a sweep takes its time; else time is virtual and a sweep is done at once.
    ahead : bool
        Whether a thread makes the next sweep beforehand; only where time is virtual.
    noise_codes : float
        Root mean square of the scope's own noise in each sample, in codes.
    probes : tuple of float
        Attenuation of the probes that are fitted to channels 1 to 4.
    quirks : mapping of str to (str or int), optional
        What a model does differently; see :data:`~instruments.virtual.scope.record.QUIRKS`.

    Raises
    ------
    ValueError
        When the family or a quirk is not known.
    """

    def __init__(
        self,
        drive: VirtualDrive,
        family: str,
        *,
        seed: int = 0,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
        paced: bool = False,
        ahead: bool = False,
        noise_codes: float = 0.0,
        probes: tuple[float, float, float, float] = (10.0, 10.0, 10.0, 10.0),
        quirks: Mapping[str, str | int] | None = None,
    ) -> None:
        if family not in INTERPRETERS:
            raise ValueError(f"family “{family}” is not known; use {', '.join(FAMILIES)}")
        kind = INTERPRETERS[family]
        traits = kind.traits.with_quirks(quirks or {})
        self.family = family
        self.errors = ErrorQueue()
        self._sleep = sleep
        self._lock = threading.Lock()
        self._fault_lock = threading.Lock()
        self._faults: list[Request] = []
        self._rng = np.random.default_rng(seed)
        self._cancelled: Callable[[], bool] = _nobody_left
        self._memory = traits.memory
        front_end = FrontEnd(drive, traits, seed=seed, noise_codes=noise_codes, probes=probes)
        self._sweeper = Sweeper(drive, front_end)
        self._acquisition = Acquisition(
            self._sweeper,
            new_panel(traits.memory),
            traits,
            gains=lambda source: self.panel.channels[source].probe / probes[source - 1],
            clock=clock if paced else None,
        )
        if ahead and not paced:
            self._sweeper.go_ahead(self._acquisition.plan)
        self._interpreter = kind(
            self._acquisition,
            self.errors,
            traits,
            identity=f"{kind.maker},VIRTUAL-{family},0,evenlobe",
            wait=self._wait,
            reset=self._reset,
            refuse=lambda: self._due(frozenset({Fault.REFUSE})) is not None,
        )
        self._teach_hands()

    @property
    def panel(self) -> Panel:
        """The front panel as it stands."""
        return self._acquisition.panel

    @property
    def records(self) -> int:
        """Sweeps made so far."""
        return self._acquisition.count

    def close(self) -> None:
        """End the scope's thread and every wait for a sweep."""
        self._sweeper.close()

    def reply(self, message: bytes) -> list[Buffer]:
        """Carry out a program message; return the parts of its response, faults left out."""
        with self._lock:
            self._cancelled = _nobody_left
            return self._interpreter.execute(message).parts

    def deliver(self, message: bytes, cancelled: Callable[[], bool] = _nobody_left) -> list[Step]:
        """Carry out a program message; return how its response is to be sent, faults and all.

        Parameters
        ----------
        message : bytes
            With its terminator, where the link has one.
        cancelled : callable
            Whether nobody waits for the response any more.
        """
        with self._lock:
            self._cancelled = cancelled
            if len(message) > _LONGEST_MESSAGE:
                self._interpreter.fail(-363)
                return []
            reply = self._interpreter.execute(message)
        if not reply.parts:
            return []
        if reply.block:
            request = self._due(ON_BLOCKS)
            return faulty(reply.parts, request, self._rng) if request else sound(reply.parts)
        if self._due(frozenset({Fault.GARBAGE_TEXT})):
            characters = self._rng.integers(33, 126, 12, dtype=np.uint8)
            return sound([characters.tobytes(), b"\n"])
        return sound(reply.parts)

    def fail(self, code: int) -> None:
        """Put an error of the link's into the queue."""
        with self._lock:
            self._interpreter.fail(code)

    def inject(self, fault: Fault | str | None, at: str = "middle", count: int = 1) -> None:
        """Ask for a fault, or with None take away all that were asked for.

        Parameters
        ----------
        fault : Fault or str or None
            What goes wrong.
        at : str
            Where in a block: start, middle or end.
        count : int
            With how many replies, settings or connections.

        Raises
        ------
        ValueError
            When there is no such fault or place.
        """
        if fault is None:
            with self._fault_lock:
                self._faults.clear()
            return
        check_place(at)
        request = Request(Fault(fault), at, count)
        if request.fault is Fault.ERRORS:
            with self._lock:
                self.errors.fill()
            return
        with self._fault_lock:
            self._faults.append(request)

    def refuses_links(self) -> bool:
        """Return whether a new link is to be closed at once."""
        return self._due(frozenset({Fault.CLOSE_AT_CONNECT})) is not None

    def with_drive(self, use: Callable[[VirtualDrive], object]) -> object:
        """Return what `use` makes of the drive, while nothing samples it."""
        return self._sweeper.with_drive(use)

    def nudge(self, offset_um: float) -> None:
        """Turn the stepper's body so that the head moves outward by `offset_um`."""
        self.with_drive(lambda drive: drive.nudge(offset_um))

    def truth(self) -> Truth:
        """Return what is true of the drive as it stands; for tests."""
        truth = self.with_drive(lambda drive: drive.truth(0.0, 1.0))
        assert isinstance(truth, Truth)
        return truth

    def _due(self, kinds: frozenset[Fault]) -> Request | None:
        """Return the oldest fault that was asked for among `kinds`, and count it."""
        with self._fault_lock:
            for request in self._faults:
                if request.fault in kinds:
                    request.count -= 1
                    if request.count <= 0:
                        self._faults.remove(request)
                    return request
        return None

    def _reset(self) -> None:
        self._acquisition.panel = new_panel(self._memory)
        self._acquisition.run()

    def _wait(self) -> bool:
        return self._acquisition.wait(self._cancelled, self._let_others)

    def _let_others(self) -> None:
        cancelled = self._cancelled
        self._lock.release()
        try:
            self._sleep(_STEP_S)
        finally:
            self._lock.acquire()
        self._cancelled = cancelled

    def _teach_hands(self) -> None:
        """Teach headers of no real scope: the hands at the drive, and the faults."""
        teach = self._interpreter
        teach.do(":VIRTual:NUDGe", lambda text: self.nudge(_finite(text)), 1)
        teach.do(
            ":VIRTual:STEP",
            lambda text: self.with_drive(lambda drive: drive.step(int(_finite(text)))),
            1,
        )
        teach.do(":VIRTual:RESeat", lambda: self.with_drive(lambda drive: drive.reseat()))
        teach.do(":VIRTual:FAULt", self._fault, 3)

    def _fault(self, fault: str, at: str, count: str) -> None:
        try:
            kind = Fault(fault.lower())
            check_place(at.lower())
        except ValueError:
            raise ScpiError(-224) from None
        if kind is Fault.ERRORS:
            self.errors.fill()
            return
        with self._fault_lock:
            self._faults.append(Request(kind, at.lower(), int(_finite(count))))


def _finite(text: str) -> float:
    value = number(text)
    if not isfinite(value):
        raise ScpiError(-222)
    return value
