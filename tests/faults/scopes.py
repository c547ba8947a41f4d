"""Cases of scopes: each family over each transport, in real time, as sockets and lines have it.

The other side is the virtual scope with the faults that it knows. Here nobody leaps over time, so
a case takes some ten seconds, most of them waiting.
"""

from __future__ import annotations

import threading
import time
import traceback
import zlib
from contextlib import suppress
from itertools import product
from typing import Any

import numpy as np

from app.live.session import Session
from app.live.view import View
from instruments.source import SourceError
from instruments.virtual.scope import Fault, VirtualScope
from tests.faults.case import Key, Outcome, profile, words_of
from tests.hunt.judge import RATIO_FLOOR, WRONG_U
from tests.instruments.scope.faultcase import MODELS, PLACES, new_scope, served

KIND = "scope"
TRANSPORTS = ("socket", "vxi11", "hislip", "usb", "serial")
_LOOK_S = 0.02
_FIRST_S, _BACK_S = 60.0, 40.0
"""A record over a serial line takes seconds, an older scope half a minute to be set up; a scope
that stalls is given up only when its record is overdue."""
_CLOSED_S = 2.5
_HARMLESS = (Fault.NO_NEWLINE, Fault.TWO_NEWLINES, Fault.ERRORS)
_THREADS = ("analysis", "acquisition", "scope-session")


def pairs() -> list[tuple[str, str]]:
    """Return each kind with each fault that can happen to it."""
    kinds = (f"{KIND}-{family}-{transport}" for family, transport in product(MODELS, TRANSPORTS))
    return list(product(kinds, map(str, Fault)))


def run(key: Key) -> Outcome:
    """Run a case and judge it."""
    family, _, transport = key.kind.removeprefix(f"{KIND}-").rpartition("-")
    rng = np.random.default_rng([key.seed, zlib.crc32(f"{key.kind} {key.fault}".encode())])
    rng = rng.spawn(key.number + 1)[-1]
    outcome = Outcome(key)
    try:
        scope = new_scope(MODELS[family], offset=float(rng.uniform(-60.0, 60.0)))
        with served(scope, transport) as (address, peer):
            baud = "?baud=115200" if transport == "serial" else ""
            _watch(outcome, f"visa:{address}{baud}", scope, peer, rng)
        scope.close()
    except Exception:
        outcome.faults.append(f"crash: {traceback.format_exc(limit=-3)}")
    left = [each.name for each in threading.enumerate() if each.name in _THREADS]
    outcome.faults += [f"threads left: {', '.join(left)}"] * bool(left)
    return outcome


def _watch(
    outcome: Outcome, address: str, scope: VirtualScope, peer: Any, rng: np.random.Generator
) -> None:
    session = Session(profile())
    session.open(address)
    try:
        seen = _Seen(outcome, session, scope.truth().ratio)
        if seen.until_valid(_FIRST_S):
            _spoil(seen, scope, peer, Fault(outcome.key.fault), rng)
        else:
            outcome.faults.append(f"no first reading: {seen.last}")
    finally:
        begun_s = time.monotonic()
        session.close()
        if time.monotonic() - begun_s > _CLOSED_S:
            outcome.faults.append(f"closed after {time.monotonic() - begun_s:.1f} s")


def _spoil(
    seen: _Seen, scope: VirtualScope, peer: Any, fault: Fault, rng: np.random.Generator
) -> None:
    outcome = seen.outcome
    cause_s = time.monotonic()
    scope.inject(fault, at=str(rng.choice(PLACES)), count=int(rng.integers(1, 4)))
    outcome.parked_s = seen.parked_within(float(rng.uniform(0.5, 5.0)))
    scope.inject(None)
    if hasattr(peer, "plug") and seen.is_lost:
        with suppress(OSError):
            peer.plug()
    over_s = time.monotonic()
    if outcome.parked_s is not None:
        outcome.parked_s -= cause_s
    if not seen.until_valid(_BACK_S):
        outcome.faults.append(f"not back within {_BACK_S:g} s: {seen.last}")
        return
    outcome.back_s = time.monotonic() - over_s
    if outcome.parked_s is not None and fault in _HARMLESS:
        outcome.faults.append(f"parked by what spoils nothing: {outcome.said}")
    # What was spoilt must not come up later.
    seen.parked_within(2.0)


class _Seen:
    """What the screen has shown."""

    def __init__(self, outcome: Outcome, session: Session, ratio: float) -> None:
        self.outcome = outcome
        self.last = ""
        self.is_lost = False
        self._session = session
        self._ratio = ratio
        self._begun_s = time.monotonic()

    def until_valid(self, seconds: float) -> bool:
        """Look until a valid reading is shown; return whether one was."""
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s:
            if self._look():
                return True
            time.sleep(_LOOK_S)
        return False

    def parked_within(self, seconds: float) -> float | None:
        """Look for so long; return when no valid reading was shown first, None where one was."""
        end_s, parked_s = time.monotonic() + seconds, None
        while time.monotonic() < end_s:
            if not self._look() and parked_s is None:
                parked_s, self.outcome.said = time.monotonic(), self.last
            time.sleep(_LOOK_S)
        return parked_s

    def _look(self) -> bool:
        view = self._session.view()
        self._note(view)
        reading, error = view.reading, self._session.error
        if error is not None and not isinstance(error, SourceError):
            self.outcome.faults.append(f"crash: {error!r}")
        if reading is None or not reading.valid:
            return False
        if reading.ratio is not None and not self.outcome.faults:
            away = abs(reading.ratio.value - self._ratio)
            if away > RATIO_FLOOR and away > WRONG_U * reading.ratio.u:
                found = f"{reading.ratio.value:.4f} ± {reading.ratio.u:.4f}"
                self.outcome.faults.append(f"valid and wrong: {found}, not {self._ratio:.4f}")
        return True

    def _note(self, view: View) -> None:
        is_valid = view.reading is not None and view.reading.valid
        words = "valid" if is_valid else f"{view.phase}: {words_of(view)}"
        self.is_lost = str(view.phase) == "lost"
        if words != self.last:
            self.outcome.shown.append((time.monotonic() - self._begun_s, words))
        self.last = words
