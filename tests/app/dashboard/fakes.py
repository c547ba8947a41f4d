"""A session that says what a test wants it to say, and remembers what it was asked."""

import math
import time
from dataclasses import replace

import numpy as np

from app.analysis.results import (
    Geometry,
    Message,
    Quantity,
    Reading,
    Side,
    Sign,
    Trace,
    Verdict,
)
from app.job.origin import Origin
from app.live.view import Level, Listed, Listing, Phase, View
from app.profiles import load_profile


def quantity(value, u=0.0):
    return Quantity(value, u)


def judged(difference, u, limit):
    if difference + 2 * u <= limit:
        return Verdict.PASS
    return Verdict.FAIL if difference - 2 * u > limit else Verdict.UNDECIDED


def reading(balance=0.12, u=0.002, /, **changes):
    """A valid reading at a balance, its other figures by their definitions."""
    ratio = (1 - abs(balance)) / (1 + abs(balance))
    difference = 1 - ratio
    spread = 2 * u / (1 + abs(balance)) ** 2
    made = Reading(
        valid=True,
        revolutions=3,
        geometry=Geometry.TWO_BAND,
        speed_rpm=quantity(300.1, 0.02),
        carrier_hz=quantity(125010.0, 3.0),
        snr_db=31.0,
        first_v=quantity(0.5 * (1 + balance), 0.002),
        second_v=quantity(0.5 * (1 - balance), 0.002),
        balance=quantity(balance, u),
        ratio=quantity(ratio, spread),
        difference=quantity(difference, spread),
        offset_um=quantity(178 * balance, 178 * u),
        sign=Sign.KNOWN,
        side=Side.OUTWARD if balance > 0 else Side.INWARD,
        set_limit=judged(difference, spread, 0.15),
        check_limit=judged(difference, spread, 0.30),
    )
    return replace(made, **changes)


def parked(reason="The signal clips: turn the input's level down.", **changes):
    return Reading(valid=False, reasons=(Message(reason),), **changes)


def trace(balance=0.12, number=1, points=1000):
    turns = (np.arange(points, dtype=np.float32) + 0.5) / points
    first, second = 0.5 * (1 + balance), 0.5 * (1 - balance)
    shape = np.cos(2 * math.pi * (turns - 0.25))
    wobble = 0.004 * np.sin(2 * math.pi * 37 * turns + number)
    envelope = np.where(shape > 0, first * shape, -second * shape) + wobble
    return Trace(turns, np.abs(envelope).astype(np.float32), (0.25, 0.75), (first, second), number)


def view(balance=0.12, now_s=None, **changes):
    """A running view of the virtual drive with a fresh reading."""
    now_s = time.monotonic() if now_s is None else now_s
    times = now_s - np.arange(600)[::-1] * 0.1
    past = balance + 0.35 * np.exp(-np.arange(600) / 120) * np.cos(np.arange(600) / 40)
    made = View(
        phase=Phase.RUNNING,
        source="sim:offset_um=25",
        virtual=True,
        roles=("plus", "minus", "index"),
        sample_rate_hz=1e6,
        reading=reading(balance),
        reading_at_s=now_s,
        trace=trace(balance),
        locked=True,
        levels=(Level("plus", 0.41, 0.41, False), Level("minus", 0.40, 0.40, False)),
        strip_s=times,
        strip_balance=np.clip(past, -1, 1),
        frames=12_000_000,
    )
    made = replace(made, **changes)
    if "analysed" in changes or made.reading is None:
        return made
    return replace(made, analysed=((made.reading, made.reading_at_s),))


class FakeControls:
    """Remembers each hand movement."""

    hidden = None

    def __init__(self):
        self.done = []

    def nudge(self, offset_um):
        self.done.append(("nudge", offset_um))

    def step(self, tracks):
        self.done.append(("step", tracks))

    def reseat(self):
        self.done.append(("reseat",))


class FakeSession:
    """Shows `now` as its view; `calls` holds what it was asked to do, in order."""

    def __init__(self, now=None, controls=None, listed=(), hints=()):
        self.profile = load_profile("130mm-48tpi")
        self.now = now if now is not None else View()
        self.past = self.play = None
        self.calls = []
        self.controls = controls
        self.looks: list[bool] = []
        """Of each listing whether all was to be looked for anew."""
        self.listing = Listing(tuple(Listed(*each) for each in listed), tuple(hints))
        self.answer = None

    def open(self, address, roles=None, options=None):
        self.calls.append(("open", address, roles, *([options] if options else [])))
        self.now = View(phase=Phase.OPENING, source=address)

    def use(self, profile):
        self.profile = profile

    def close(self):
        self.calls.append(("close",))
        self.now = View()

    def view(self):
        return self.now() if callable(self.now) else self.now

    def origin(self):
        view = self.view()
        if not view.source:
            return None
        return Origin(view.source, view.virtual, profile=self.profile.name, settings=view.settings)

    def begin_teaching(self):
        self.calls.append(("begin_teaching",))
        self.now = replace(self.now, teaching=True)

    def teach(self, side):
        self.calls.append(("teach", side))
        if self.answer is None:
            self.now = replace(self.now, teaching=False)
        return self.answer

    def cancel_teaching(self):
        self.calls.append(("cancel_teaching",))
        self.now = replace(self.now, teaching=False)

    def listed(self, *, anew=False):
        self.looks.append(anew)
        return self.listing


def ending(*views):
    """A session that shows one view after the other, and the last for ever."""
    left = list(views)
    return FakeSession(lambda: left.pop(0) if len(left) > 1 else left[0])
