"""Calibrations on the bench that the book holds: which there are, when due, and what they change.

A calibration is the outcome of a check like any other. It counts once its job is closed, for the
disk that the job names, in later jobs of the same class that name the same disk.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from datetime import date, timedelta

from app.analysis.messages import fill
from app.analysis.results import Message
from app.book.store import Book
from app.job import messages
from app.job.certificate import DUE_AFTER_DAYS
from app.job.model import CALIBRATIONS, CheckName
from app.numbers import plus_minus
from app.profiles import SPECS, Profile

ALIGNMENT_DISK = "alignment disk"
"""The description of a job by which a disk is known."""
_SOON_DAYS = 30
_MARK = "calibrated on the bench"


@dataclass(frozen=True, slots=True)
class Calibration:
    """One calibration.

    Attributes
    ----------
    job, made_on : int, date
        In which job, and when.
    check : CheckName
        One of those that calibrate.
    disk, profile, instrument, virtual : str, str, str, bool
        Of which disk, for which class, by which instrument, and whether of the virtual drive.
    head, track : int
        Where a zero was found.
    value_um, covering_u_um : float
        ±2u about the value covers 95.45 %.
    """

    job: int
    made_on: date
    check: CheckName
    disk: str
    profile: str
    instrument: str
    virtual: bool
    head: int
    track: int
    value_um: float
    covering_u_um: float

    @property
    def name(self) -> str:
        """What was calibrated, in words."""
        return "scale" if self.check is CheckName.SCALE else f"zero, side {self.head},"

    @property
    def key(self) -> tuple[str, str, str, bool]:
        """What a newer one takes the place of."""
        return self.name, self.disk, self.profile, self.virtual

    @property
    def due_on(self) -> date:
        """The last day on which it is used."""
        return self.made_on + timedelta(days=DUE_AFTER_DAYS)

    @property
    def source(self) -> str:
        """Where a value that it gives comes from, as reports state it."""
        return f"{_MARK} on {self.made_on}, job {self.job}, due {self.due_on}"

    @property
    def words(self) -> str:
        """What it says, with its U."""
        return f"{self.name} {plus_minus(self.value_um, self.covering_u_um, ' µm')}"

    def state_on(self, today: date) -> str:
        """Return when it is due, in words."""
        if today > self.due_on:
            return f"was due on {self.due_on}"
        if self.is_to_come(today):
            return "of a day to come"
        soon = today + timedelta(days=_SOON_DAYS) > self.due_on
        return f"due on {self.due_on}" + (", soon" if soon else "")

    def is_to_come(self, today: date) -> bool:
        """Tell whether it is of after today; a day is what zones and midnight make of nothing."""
        return self.made_on > today + timedelta(days=1)

    def applied_to(self, profile: Profile) -> Profile:
        """Return the class with what this calibrates."""
        if self.check is CheckName.SCALE:
            news = {"scale_um": self.value_um, "scale_u_um": self.covering_u_um}
            return replace(
                profile,
                **news,
                calibrated=True,
                sources=_sourced(profile, ("scale_um",), self.source),
            )
        place = (self.track, self.head)
        stated = zip(profile.zero_tracks or (), profile.zero_heads or (), strict=True)
        zeros = {each: profile.zero_of(*each) or (0.0, 0.0) for each in stated}
        zeros[place] = (self.value_um, self.covering_u_um)
        names = ("zero_um", "zero_u_um", "zero_tracks", "zero_heads")
        return replace(
            profile,
            zero_um=tuple(value for value, _ in zeros.values()),
            zero_u_um=tuple(u for _, u in zeros.values()),
            zero_tracks=tuple(track for track, _ in zeros),
            zero_heads=tuple(head for _, head in zeros),
            sources=_sourced(profile, names, self.source),
        )


def _sourced(
    profile: Profile, attributes: Iterable[str], source: str
) -> tuple[tuple[str, str], ...]:
    sources = dict(profile.sources)
    for key in dict.fromkeys(SPECS[each].key for each in attributes):
        # The zeros of both sides stand in one value, and each has its calibration.
        old = sources.get(key, "")
        sources[key] = f"{old}; {source}" if _MARK in old else source
    return tuple(sources.items())


def calibrations_in(book: Book) -> tuple[Calibration, ...]:
    """Return every calibration of a closed job that names its disk, oldest first.

    Raises
    ------
    BookError
        When the book cannot be read.
    """
    every: list[Calibration] = []
    for number in book.numbers(CALIBRATIONS):
        record = book.job(number)
        disk = dict(record.head.conditions).get(ALIGNMENT_DISK, "").strip()
        if not record.closed_at or not disk:
            continue
        for outcome in record.outcomes:
            if outcome.check not in CALIBRATIONS or outcome.value is None:
                continue
            taken = [each for each in record.entries if each.check is outcome.check and each.source]
            found = Calibration(
                number,
                date.fromisoformat(outcome.ended_at[:10]),
                outcome.check,
                disk,
                record.head.profile,
                taken[-1].instrument if taken else "",
                record.virtual,
                outcome.side,
                next((each.track for each in reversed(taken) if each.track is not None), 0),
                outcome.value,
                outcome.covering_u or 0.0,
            )
            every.append(found)
    return tuple(every)


def newest_of(found: Iterable[Calibration]) -> tuple[Calibration, ...]:
    """Return the newest calibration of each thing, which is the one that counts; oldest first."""
    newest: dict[tuple[str, str, str, bool], Calibration] = {}
    for each in found:
        newest.pop(each.key, None)
        newest[each.key] = each
    return tuple(newest.values())


@dataclass(frozen=True, slots=True)
class Use:
    """What a job goes by: the class as calibrated, and what to tell of each calibration."""

    profile: Profile
    notes: tuple[Message, ...] = ()


def used_for(
    profile: Profile,
    found: Collection[Calibration],
    disk: str,
    instrument: str,
    *,
    virtual: bool,
    today: date,
) -> Use:
    """Return the class with those calibrations that may be used, and what to tell of all of them.

    One of another disk says nothing of this one. One that is overdue, or was made with another
    instrument, is not used, and the note says what to do.

    Parameters
    ----------
    disk, instrument : str
        The alignment disk as the job names it, empty where it does not; what the source says of
        itself.
    """
    ours = [
        each for each in newest_of(found) if (each.profile, each.virtual) == (profile.name, virtual)
    ]
    disk = disk.strip()
    if not disk:
        disks = sorted({each.disk for each in ours})
        if not disks:
            return Use(profile)
        named = ", ".join(f"“{each}”" for each in disks)
        return Use(profile, (fill(messages.CALIBRATION_UNNAMED, named),))
    notes: list[Message] = []
    for each in ours:
        if each.disk != disk:
            continue
        which = (each.words, disk, each.job, each.made_on)
        state = each.state_on(today)
        if each.is_to_come(today):
            notes.append(fill(messages.CALIBRATION_TO_COME, *which, today))
        elif today > each.due_on:
            notes.append(fill(messages.CALIBRATION_DUE, *which, state, each.check))
        elif each.instrument != instrument:
            names = (each.instrument, instrument)
            by = (f"“{name}”" if name else "an input without a name" for name in names)
            notes.append(fill(messages.CALIBRATION_BY_OTHER, *which, *by, each.check))
        else:
            profile = each.applied_to(profile)
            notes.append(fill(messages.CALIBRATION_USED, *which, state))
    return Use(profile, tuple(notes))


def disks_in(book: Book) -> tuple[str, ...]:
    """Return the names of the disks that the book has a calibration of, in their order.

    Raises
    ------
    BookError
        When the book cannot be read.
    """
    return tuple(sorted({each.disk for each in calibrations_in(book)}))


def as_begun(
    profile: Profile, found: Iterable[Calibration], values: Iterable[tuple[str, str, str]]
) -> Profile:
    """Return the class with those calibrations that a job was begun with.

    Parameters
    ----------
    values : iterable of (str, str, str)
        Key, value and source of the class's values, as the job has them.
    """
    sources = " ".join(source for _, _, source in values)
    for each in found:
        if each.source in sources:
            profile = each.applied_to(profile)
    return profile
