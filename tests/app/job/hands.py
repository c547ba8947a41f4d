"""A drive of a few lines that does what a job asks and tells what would be measured there.

It stands in for the source and the hands alike, so that the order of a job can be tested without
samples.
"""

from __future__ import annotations

import numpy as np

from app.analysis.messages import NO_CARRIER, ONE_LOBE, fill
from app.analysis.results import (
    AzimuthFinding,
    Burst,
    IndexFinding,
    Measurand,
    Measurement,
    OutputFinding,
    Quantity,
    Reading,
    Side,
    Sign,
    SpeedFinding,
)
from app.job.checks.gauge import PLACE
from app.job.job import Job
from app.job.model import INSERTED, Action, Ask, Do, Enter, Entry, Measure, Outcome
from app.job.plan import JobStanding
from app.profiles import Profile, load_profile

PROFILE: Profile = load_profile("130mm-48tpi")


_PUSHED = {Action.PUSH_OUTWARD: 1.0, Action.PUSH_INWARD: -1.0}


class ScriptedDrive:
    def __init__(self, middle_um=60.0, backlash_um=8.0, creep_um=0.0, speed_rpm=300.0):
        self.middle_um = middle_um
        self.backlash_um = backlash_um
        self.creep_um = creep_um
        self.speed_rpm = speed_rpm
        self.azimuth_arcmin = 4.0
        self.index_us = 210.0
        self.skew_us = 0.0
        self.pattern = ""
        self.zero_shifts_um: list[float] = []
        self.zero_um = 0.0
        self.sums: list[float] = []
        self.sum = 1.0
        """What the clamp makes of both lobes alike, for each seating."""
        self.width_u_arcmin = 0.0
        self.apart_um = 0.0
        """How far head 1 is outward of head 0."""
        self.silent = False
        self.indexed = True
        self.missing: list[str] = []
        self.drift_um = 0.0
        self.warm_um = 0.0
        """How far the head goes outward with warmth, three fifths of the rest a minute."""
        self.play_um = 0.0
        self.pushed = 0.0
        self.slope_um = 0.0
        self.now_s = 0.0
        self.gauge_zero_um = middle_um
        self.track_um = 300.0
        self.scale_um = PROFILE.scale_um
        self.first_f_v, self.second_f_v = Quantity(0.4, 0.001), Quantity(0.3, 0.001)
        self.sided = 1.0
        self.track: int | None = None
        self.done: list[Do] = []
        self.entries: dict[str, object] = {}

    def answer(self, ask: Ask):
        if isinstance(ask, Do):
            self._do(ask)
            return True
        return self._measure(ask) if isinstance(ask, Measure) else self._enter(ask)

    def _do(self, ask: Do) -> None:
        self.done.append(ask)
        self.pattern = {Action.WRITE_1F: "1F", Action.WRITE_2F: "2F"}.get(ask.action, self.pattern)
        self.pushed = _PUSHED.get(ask.action, self.pushed)
        match ask.action:
            case Action.NUDGE:
                self.middle_um += ask.amount or 0.0
            case Action.SEEK:
                self._seek(ask.track or 0)
            case Action.ARRIVE_FROM_OUTSIDE | Action.ARRIVE_FROM_INSIDE:
                self.sided = 1.0 if ask.action is Action.ARRIVE_FROM_OUTSIDE else -1.0
            case Action.WAIT:
                self.now_s += ask.amount or 0.0
            case Action.TIGHTEN:
                self.middle_um += self.creep_um
            case Action.RESEAT:
                self.zero_um = self.zero_shifts_um.pop(0) if self.zero_shifts_um else 0.0
                self.sum = self.sums.pop(0) if self.sums else 1.0
            case Action.ZERO_GAUGE:
                self.gauge_zero_um = self.middle_um
            case Action.TRIM_SPEED:
                self.speed_rpm *= 1.0 + (ask.amount or 0.0) / 100.0

    def _seek(self, track: int) -> None:
        """The side that it comes from decides how the head rests."""
        if self.track is not None and self.track != track:
            self.sided = 1.0 if self.track < track else -1.0
        self.track = track

    def _enter(self, ask: Enter):
        if ask.key in self.entries:
            return self.entries[ask.key]
        if ask.key == PLACE:
            return self.middle_um - self.gauge_zero_um
        if ask.key == "track-zero sensor on track 2":
            return "no"
        return ask.choices[0] if ask.choices else None

    def _measure(self, ask: Measure) -> Measurement:
        if self.silent or ask.label in self.missing:
            self.zero_um += self.drift_um
            return Measurement(ask.measurand, problem=fill(NO_CARRIER))
        match ask.measurand:
            case Measurand.SPEED:
                part = Quantity(0.1, 0.01)
                turns = np.full(ask.turns, self.speed_rpm)
                found = SpeedFinding(Quantity(self.speed_rpm, 0.01), part, part, turns, True)
                return Measurement(ask.measurand, speed=found)
            case Measurand.AZIMUTH:
                burst = Burst(Quantity(500.0, 0.1), 900.0, Quantity(0.3, 0.001))
                azimuth = AzimuthFinding(
                    Quantity(self.azimuth_arcmin, 0.2), (burst,) * 4, 0.4, self.width_u_arcmin
                )
                return Measurement(ask.measurand, azimuth=azimuth)
            case Measurand.INDEX:
                inner = ask.track != PROFILE.index_tracks[0]
                delay_us = self.index_us - (self.skew_us if inner else 0.0)
                found = IndexFinding(Quantity(delay_us, 0.2), 0.5, ask.turns)
                return Measurement(ask.measurand, index=found)
            case Measurand.LEVEL:
                # Head and track have in common what their edges leave (330 µm: the class's core).
                common = (330.0 + self.track_um) / 2.0 - abs(self.middle_um)
                level_v = 0.4 * min(max(common / self.track_um, 0.0), 1.0)
                return Measurement(ask.measurand, level_v=Quantity(level_v, 1e-3))
            case Measurand.OUTPUT:
                found = OutputFinding(
                    {"1F": self.first_f_v, "2F": self.second_f_v}[self.pattern],
                    Quantity(62.5e3, 1.0),
                    Quantity(3.0, 0.1),
                    Quantity(12.0, 1.0),
                    1.2,
                )
                return Measurement(ask.measurand, output=found)
            case _:
                reading = self.reading(ask.head)
                self.zero_um += self.drift_um
                return Measurement(ask.measurand, reading=reading, at_s=self.now_s)

    def reading(self, head=0) -> Reading:
        x_um = self.middle_um + self.zero_um + self.sided * self.backlash_um / 2.0
        x_um += head * self.apart_um + self.pushed * self.play_um / 2.0
        x_um += self.warm_um * (1.0 - 0.4 ** (self.now_s / 60.0))
        x_um -= self.slope_um * ((self.track or 0) - PROFILE.alignment_track) / (PROFILE.tracks - 1)
        b = x_um / self.scale_um
        x_um = b * PROFILE.scale_um
        side = Side.OUTWARD if b > 0 else Side.INWARD
        if abs(b) > 0.85:
            if not self.indexed:
                return Reading(valid=False, reasons=(ONE_LOBE,))
            return Reading(valid=False, reasons=(ONE_LOBE,), side=side, sign=Sign.KNOWN)
        r = (1.0 - abs(b)) / (1.0 + abs(b))
        if not self.indexed:
            b, x_um, side = abs(b), abs(x_um), None
        return Reading(
            valid=True,
            balance=Quantity(b, 1e-4),
            ratio=Quantity(r, 2e-4),
            difference=Quantity(1.0 - r, 2e-4),
            offset_um=Quantity(x_um, 0.02),
            first_v=Quantity(0.2 * self.sum * (1.0 + b), 1e-4),
            second_v=Quantity(0.2 * self.sum * (1.0 - b), 1e-4),
            sign=Sign.KNOWN if self.indexed else Sign.UNKNOWN,
            side=side,
        )


class Kept:
    """What a job gives to be kept."""

    def __init__(self):
        self.entries = []
        self.outcomes = []
        self.standings = []
        self.closed = None

    @property
    def taken(self):
        """The entries without those that tell of a disk that was put in."""
        return [each for each in self.entries if each.label != INSERTED]

    def keep(self, *kept):
        lists = {Entry: self.entries, Outcome: self.outcomes, JobStanding: self.standings}
        for each in kept:
            lists[type(each)].append(each)
        # What a check found is kept together with what follows from it, or not at all.
        assert not self.outcomes or type(kept[-1]) is not Outcome

    def close(self, nudges, reason):
        self.closed = (nudges, reason)


def job_on(drive=None, *, plan=None, options=None, left=None, profile=PROFILE) -> tuple[Job, Kept]:
    """Begin a job, or go on with what another's ``Kept`` holds; a drive is worked to the end."""
    kept = Kept()
    if left is not None:
        kept.outcomes = list(left.outcomes)
        left = (left.standings[-1], tuple(left.outcomes))
    ticks = iter(range(10**6))
    job = Job(
        profile,
        False,
        plan=plan,
        options=options,
        now=lambda: f"2026-03-01T10:00:00.{next(ticks):06d}+00:00",
        log=kept,
        source="scripted",
        left=left,
    )
    if drive is not None:
        carry_out(job, drive)
    return job, kept


def carry_out(job: Job, drive: ScriptedDrive, asks: int = 10_000) -> None:
    """Answer what the job asks, at most `asks` times."""
    while job.ask is not None and asks > 0:
        job.answer(drive.answer(job.ask))
        asks -= 1
