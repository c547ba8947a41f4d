"""A source that plays a script, and a clock that only its reads move."""

import threading
import time
from collections.abc import Callable, Iterable

import numpy as np

from instruments.source import Block, Role, Source, SourceEnd, SourceInfo, SourceLost, SourceTimeout

RATE_HZ = 1000.0
ROLES = (Role.DIFFERENTIAL, Role.INDEX)
# Whole numbers up to this are exact in float32.
EXACT = 1 << 24


def frames(first_index: int, count: int, channels: int = 2) -> np.ndarray:
    """Frames whose values tell their index, with the sign changed in every second channel."""
    values = (np.arange(first_index, first_index + count) % EXACT).astype(np.float32)
    return np.stack([values if column % 2 == 0 else -values for column in range(channels)], axis=1)


def block(first_index: int, count: int, **changes: object) -> Block:
    """A block of telling frames, taken from 100 s on at the fake's rate."""
    plain = {
        "samples_v": frames(first_index, count),
        "sample_rate_hz": RATE_HZ,
        "first_index": first_index,
        "t0_s": 100.0 + first_index / RATE_HZ,
    }
    return Block(**(plain | changes))


def info(**changes: object) -> SourceInfo:
    plain = {
        "name": "fake:",
        "roles": ROLES,
        "roles_from": "given",
        "sample_rate_hz": RATE_HZ,
        "bandwidth_hz": RATE_HZ / 2,
    }
    return SourceInfo(**(plain | changes))


class FakeClock:
    """Time that goes on only when told to."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds


class FakeSource(Source):
    """Plays one script an opening; the last opening's script goes on with time-outs for ever.

    Parameters
    ----------
    scripts : iterable of iterable
        Each item is a block to give, an exception to raise, or a function to call, whose result
        is given. An exception as a whole script is raised by ``open``.
    clock : FakeClock
        Moved on by each time-out.
    infos : list of SourceInfo
        One an opening; the last stands for all later ones.
    """

    def __init__(
        self,
        *scripts: Iterable[Block | Exception | Callable[[], Block]] | Exception,
        clock: FakeClock | None = None,
        infos: list[SourceInfo] | None = None,
    ) -> None:
        self._scripts = list(scripts)
        self._clock = clock
        self._infos = infos or [info()]
        self._steps = iter(())
        self.is_open = False
        self.opened = self.closed = 0
        self.threads: set[str] = set()

    @property
    def info(self) -> SourceInfo:
        return self._infos[min(self.opened, len(self._infos)) - 1]

    def open(self) -> None:
        self.threads.add(threading.current_thread().name)
        self.opened += 1
        script = self._scripts.pop(0) if self._scripts else ()
        if isinstance(script, Exception):
            raise script
        self._steps = iter(script)
        self.is_open = True

    def read(self, timeout_s: float) -> Block:
        self.threads.add(threading.current_thread().name)
        assert self.is_open
        step = next(self._steps, SourceTimeout("fake: nothing came"))
        if isinstance(step, SourceTimeout):
            # Long enough for other threads to have their turn.
            time.sleep(0.0005)
            if self._clock:
                self._clock.sleep(timeout_s)
        if isinstance(step, Exception):
            raise step
        return step() if callable(step) else step

    def close(self) -> None:
        self.closed += 1
        self.is_open = False


class HangingSource(FakeSource):
    """Blocks in ``read``, whatever the time allowed, until it is closed."""

    def __init__(self, fault: Exception | None = None, deaf: bool = False) -> None:
        super().__init__([])
        self._fault = fault or SourceLost("fake: it was closed")
        self._deaf = deaf
        self.reading = threading.Event()
        self.let_go = threading.Event()

    def read(self, timeout_s: float) -> Block:
        self.reading.set()
        self.let_go.wait()
        raise self._fault

    def close(self) -> None:
        super().close()
        if not self._deaf:
            self.let_go.set()


def ended() -> SourceEnd:
    return SourceEnd("fake: that was all")
