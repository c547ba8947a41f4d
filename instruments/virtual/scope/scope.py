"""The virtual scope: a message in, the steps of its reply out; it has no link of its own.

A reply is a list of steps, which the servers send and apply to the link; a requested fault changes
them. A mailbox keeps replies until they are fetched, for VXI-11 and USBTMC.

Threads: any number of links call :meth:`VirtualScope.deliver`; one message is carried out at a
time, under ``_lock``, which a wait for a sweep releases between its looks. Faults are requested
from any thread and live under ``_fault_lock``. ``scope-mailbox`` carries messages out one after
another, so that whoever writes one does not wait for it; its state lives under ``_changed``.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import inf, isfinite

import numpy as np

from instruments.virtual.drive import Truth, VirtualDrive
from instruments.virtual.scope.acquisition import SweepControl, Sweeper
from instruments.virtual.scope.frontend import FrontEnd
from instruments.virtual.scope.model import model, model_names
from instruments.virtual.scope.panel import FrontPanel, new_front_panel
from instruments.virtual.scope.scpi import Buffer, ErrorQueue, ScpiError, number
from instruments.virtual.scope.speech import SPEECHES
from instruments.virtual.scope.speech.common import Reply

DRIP_PIECES, DRIP_PAUSE_S = 100, 0.1
"""A slow reply comes in as many pieces, with a pause before each."""
_PLACES = {"start": 0.0, "middle": 0.5, "end": 1.0}
_JUNK = b"\x00\x07junk\n"


class Fault(StrEnum):
    """What can go wrong."""

    TRUNCATED = "truncated"
    """A block holds fewer bytes than its header says; the reply is ended as usual."""
    WRONG_LENGTH = "wrong-length"
    """The header's length is wrong: start: a tenth, middle: half, end: seven bytes too many."""
    NO_NEWLINE = "no-newline"
    TWO_NEWLINES = "two-newlines"
    JUNK_BEFORE = "junk-before"
    """Bytes that are no part of the block, a newline among them, stand ahead of it."""
    JUNK_AFTER = "junk-after"
    STALL = "stall"
    """Nothing more comes, and the link stays."""
    CLOSE = "close"
    """The instrument closes the link."""
    RESET = "reset"
    """The link breaks, as when power is lost."""
    DRIP = "drip"
    """The rest comes in small pieces over some ten seconds."""
    ERRORS = "errors"
    """The error queue is full and has overflowed; the reply is good."""
    REFUSE = "refuse"
    """Settings are refused (−221) and stay as they were; replies are good."""
    GARBAGE = "garbage"
    """Chance bytes in place of the block."""
    GARBAGE_TEXT = "garbage-text"
    """Chance characters in place of the answer to a query that is not a block."""
    CLOSE_AT_CONNECT = "close-at-connect"
    """The link is closed as soon as it is made."""


ON_BLOCKS = frozenset(Fault) - {
    Fault.ERRORS,
    Fault.REFUSE,
    Fault.GARBAGE_TEXT,
    Fault.CLOSE_AT_CONNECT,
}
"""Faults of replies that hold a block."""


@dataclass(frozen=True, slots=True)
class Send:
    """Send some bytes."""

    data: Buffer


@dataclass(frozen=True, slots=True)
class Pause:
    """Send nothing for a time."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Break:
    """End the sending: stall, close or reset; so many promised bytes are never sent."""

    fault: Fault
    withheld: int


Step = Send | Pause | Break


@dataclass(slots=True)
class Request:
    """A fault that was asked for."""

    fault: Fault
    at: str
    count: int


def check_place(at: str) -> None:
    """Refuse a place that there is not.

    Raises
    ------
    ValueError
        When it is not start, middle or end.
    """
    if at not in _PLACES:
        raise ValueError(f"a fault at “{at}”: write start, middle or end")


def sound(parts: Sequence[Buffer]) -> list[Step]:
    """Return the steps of a reply without a fault."""
    return [Send(part) for part in parts]


def faulty(parts: Sequence[Buffer], request: Request, rng: np.random.Generator) -> list[Step]:
    """Return the steps of a reply of a block, with a fault."""
    whole = b"".join(bytes(part) for part in parts)
    fault, place = request.fault, _PLACES[request.at]
    data_from = _data_from(whole)
    ending = _ending(whole)
    data_to = len(whole) - len(ending)
    # The end is within the block: its last byte is wanting.
    cut = min(data_from + int(place * (data_to - data_from)), data_to - 1)
    if fault in (Fault.STALL, Fault.CLOSE, Fault.RESET):
        cut = 0 if request.at == "start" else cut
        return [Send(whole[:cut]), Break(fault, len(whole) - cut)]
    if fault is Fault.DRIP:
        return [Send(whole[:cut]), *_dripped(whole[cut:])]
    if fault is Fault.GARBAGE:
        return [Send(rng.bytes(max(cut, 16)))]
    altered = {
        Fault.TRUNCATED: lambda: whole[:cut] + ending,
        Fault.WRONG_LENGTH: lambda: _mislabelled(whole, data_from, data_to, request.at),
        Fault.NO_NEWLINE: lambda: whole[:data_to],
        Fault.TWO_NEWLINES: lambda: whole[:data_to] + b"\n\n",
        Fault.JUNK_BEFORE: lambda: _JUNK + whole,
        Fault.JUNK_AFTER: lambda: whole[:data_to] + _JUNK + ending,
    }[fault]
    return [Send(altered())]


def _dripped(rest: bytes) -> list[Step]:
    size = max(-(-len(rest) // DRIP_PIECES), 1)
    steps: list[Step] = []
    for begin in range(0, len(rest), size):
        steps += [Pause(DRIP_PAUSE_S), Send(rest[begin : begin + size])]
    return steps


def _data_from(whole: bytes) -> int:
    """Return where the bytes of the (last) block begin."""
    mark = whole.find(b"#")
    return mark + 2 + int(whole[mark + 1 : mark + 2])


def _ending(whole: bytes) -> bytes:
    mark = whole.find(b"#")
    digits = int(whole[mark + 1 : mark + 2])
    size = int(whole[mark + 2 : mark + 2 + digits])
    return whole[mark + 2 + digits + size :]


def _mislabelled(whole: bytes, data_from: int, data_to: int, at: str) -> bytes:
    size = data_to - data_from
    mark = whole.find(b"#")
    digits = int(whole[mark + 1 : mark + 2])
    wrong = {"start": size // 10, "middle": size // 2, "end": size + 7}[at]
    label = str(wrong).zfill(digits)
    return whole[:mark] + f"#{len(label)}{label}".encode() + whole[data_from:]


ALIASES: Mapping[str, str] = {
    "A1": "dsox3024t",
    "A2": "ds1054z",
    "A2-older": "ds1052e",
    "B": "mdo3024",
    "C1": "wavesurfer-3024",
    "C2": "sds1204x-e",
    "C3": "sds2104x-plus",
    "D": "rtb2004",
}
"""The command families, each with the model that stands for it."""
FAMILIES = tuple(ALIASES)
MODELS = model_names()
_STEP_S = 0.005
_LONGEST_MESSAGE = 1 << 16


def _nobody_left() -> bool:
    return False


def states_of(name: str) -> tuple[str, ...]:
    """Return the names of the states in which somebody may have left a model.

    Parameters
    ----------
    name : str
        Of a model or of a command family.
    """
    found = model(ALIASES.get(name, name))
    return tuple(sorted({**SPEECHES[found.speech].left, **found.left}))


class VirtualScope:
    """A scope whose probes are on the virtual drive: 1 plus, 2 minus, 3 and EXT the index.

    Parameters
    ----------
    drive : VirtualDrive
        The drive.
    name : str
        One of :data:`MODELS`, or of :data:`FAMILIES` for the model that stands for it.
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
    left : iterable of str
        States in which somebody left the scope, of :func:`states_of` the model.
    byte_s, answer_s : float
        Seconds that the link takes for each byte of a block, and before each answer.

    Raises
    ------
    ValueError
        When the model, a quirk or a state is not known.
    """

    def __init__(
        self,
        drive: VirtualDrive,
        name: str,
        *,
        seed: int = 0,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
        paced: bool = False,
        ahead: bool = False,
        noise_codes: float = 0.0,
        probes: tuple[float, float, float, float] = (10.0, 10.0, 10.0, 10.0),
        quirks: Mapping[str, str | int] | None = None,
        left: Iterable[str] = (),
        byte_s: float = 0.0,
        answer_s: float = 0.0,
    ) -> None:
        if name not in (*FAMILIES, *MODELS):
            raise ValueError(
                f"family or model “{name}” is not known; use {', '.join((*FAMILIES, *MODELS))}"
            )
        self.family = name
        self.model = model(ALIASES.get(name, name))
        self.errors = ErrorQueue()
        traits = self.model.traits.with_quirks(quirks or {})
        self._clock, self._sleep = clock, sleep
        self._byte_s, self._answer_s = byte_s, answer_s
        self._deaf_until_s = -inf
        self._lock = threading.Lock()
        self._fault_lock = threading.Lock()
        self._faults: list[Request] = []
        self._rng = np.random.default_rng(seed)
        self._cancelled: Callable[[], bool] = _nobody_left
        front_end = FrontEnd(drive, traits, seed=seed, noise_codes=noise_codes, probes=probes)
        self._sweeper = Sweeper(drive, front_end)
        self._acquisition = SweepControl(
            self._sweeper,
            new_front_panel(traits.memory, self.model.channels),
            traits,
            gains=lambda source: self._gain(source) / probes[source - 1],
            clock=clock if paced else None,
        )
        self._interpreter = SPEECHES[self.model.speech](
            self._acquisition,
            self.errors,
            self.model,
            traits,
            identity=self._identity(),
            wait=self._wait,
            reset=self._reset,
            refuse=lambda: self._due(frozenset({Fault.REFUSE})) is not None,
        )
        self._teach_hands()
        for state in left:
            self._leave(state)
        if ahead and not paced:
            self._sweeper.go_ahead(self._acquisition.plan)

    @property
    def panel(self) -> FrontPanel:
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
            return self._heard(message).parts

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
            reply = self._heard(message)
        if not reply.parts:
            return []
        return [*self._waits(reply), *self._steps_of(reply)]

    def _steps_of(self, reply: Reply) -> list[Step]:
        """Return how a response is sent, with the fault that is due."""
        if reply.block and not self._interpreter.ieee_blocks:
            return sound(reply.parts)
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

    def _gain(self, source: int) -> float:
        channel = self.panel.channels[source]
        return -channel.probe if channel.inverted else channel.probe

    def _identity(self) -> str:
        found = self.model
        return f"{found.maker},{found.product},VIRTUAL-{self.family},{found.firmware}"

    def _heard(self, message: bytes) -> Reply:
        """Carry out a message, unless it comes too soon after a command."""
        now_s = self._clock() if self.model.quiet_s else 0.0
        if now_s < self._deaf_until_s:
            return Reply()
        reply = self._interpreter.execute(message)
        if self.model.quiet_s and not message.rstrip().endswith(b"?"):
            self._deaf_until_s = now_s + self.model.quiet_s
        return reply

    def _waits(self, reply: Reply) -> list[Step]:
        """Return the time that the scope and its link take for a response."""
        size = sum(memoryview(part).nbytes for part in reply.parts) if reply.block else 0
        seconds = self._answer_s + self._byte_s * size
        return [Pause(seconds)] if seconds else []

    def _leave(self, state: str) -> None:
        """Bring about a state in which somebody may have left the scope."""
        found = {**self._interpreter.left, **self.model.left}
        if state not in found:
            raise ValueError(f"state “{state}” is not known; use {', '.join(sorted(found))}")
        for message in found[state]:
            self._interpreter.execute(message.encode() + b"\n")
        if len(self.errors):
            raise ValueError(f"state “{state}” is not understood: {self.errors.pop()[1]}")

    def _reset(self) -> None:
        self._acquisition.panel = new_front_panel(
            self._interpreter.traits.memory, self.model.channels
        )
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


@dataclass(frozen=True, slots=True)
class Fetched:
    """What a fetch got.

    Attributes
    ----------
    data : bytes
        Bytes of the reply; none when the time was over.
    end : bool
        Whether they are the reply's last.
    broken : Fault or None
        What the link is to do instead of going on.
    """

    data: bytes = b""
    end: bool = False
    broken: Fault | None = None


class Mailbox:
    """The messages of one link.

    Parameters
    ----------
    scope : VirtualScope
        Who answers.
    """

    def __init__(self, scope: VirtualScope) -> None:
        self._scope = scope
        self._changed = threading.Condition()
        self._coming = bytearray()
        self._messages: deque[bytes] = deque()
        self._steps: deque[Step] = deque()
        self._interrupted = False
        self._closed = False
        self._cleared = 0
        self._thread = threading.Thread(target=self._work, name="scope-mailbox", daemon=True)
        self._thread.start()

    def write(self, data: bytes, *, end: bool) -> None:
        """Take a part of a message; with its `end` it is carried out."""
        with self._changed:
            self._coming += data
            if end:
                # At once: whoever fetches next asks for the answer to this message.
                self._interrupted |= bool(self._steps)
                self._steps.clear()
                self._messages.extend(bytes(self._coming).splitlines(keepends=True))
                self._coming.clear()
                self._changed.notify_all()

    def fetch(self, limit: int, timeout_s: float) -> Fetched:
        """Return the next bytes of the reply, waiting for them no longer than `timeout_s`."""
        deadline_s = time.monotonic() + timeout_s
        with self._changed:
            while True:
                if self._steps:
                    return self._taken(limit)
                left_s = deadline_s - time.monotonic()
                if left_s <= 0 or self._closed:
                    return Fetched()
                self._changed.wait(left_s)

    def waiting(self) -> bool:
        """Return whether a reply waits to be fetched."""
        with self._changed:
            return bool(self._steps)

    def clear(self) -> None:
        """Forget all messages and replies, and end a wait for a sweep."""
        with self._changed:
            self._cleared += 1
            self._interrupted = False
            self._coming.clear()
            self._messages.clear()
            self._steps.clear()
            self._changed.notify_all()

    def close(self) -> None:
        """End the thread."""
        with self._changed:
            self._closed = True
            self._messages.clear()
            self._changed.notify_all()
        self._thread.join()

    def _taken(self, limit: int) -> Fetched:
        data = bytearray()
        while self._steps and len(data) < limit:
            step = self._steps[0]
            if isinstance(step, Send):
                view = memoryview(step.data)
                part, rest = view[: limit - len(data)], view[limit - len(data) :]
                data += part
                self._steps.popleft()
                if rest:
                    self._steps.appendleft(Send(rest))
            elif data:
                break
            elif isinstance(step, Pause):
                self._steps.popleft()
                self._changed.wait(step.seconds)
            elif isinstance(step, Break):
                self._steps.clear()
                return Fetched(broken=step.fault)
        return Fetched(bytes(data), end=not self._steps)

    def _work(self) -> None:
        while (found := self._next()) is not None:
            message, epoch = found
            steps = self._scope.deliver(
                message, lambda at=epoch: self._closed or self._cleared != at
            )
            with self._changed:
                if self._cleared == epoch:
                    self._steps.extend(steps)
                    self._changed.notify_all()

    def _next(self) -> tuple[bytes, int] | None:
        """Return the next message and how often was cleared before it, None when all is over.

        A reply that nobody fetched is lost to it.
        """
        with self._changed:
            while not self._messages and not self._closed:
                self._changed.wait()
            if self._closed:
                return None
            interrupted = self._interrupted or bool(self._steps)
            self._interrupted = False
            self._steps.clear()
            found = self._messages.popleft(), self._cleared
        if interrupted:
            self._scope.fail(-410)
        return found
