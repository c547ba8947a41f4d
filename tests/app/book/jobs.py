"""Jobs for the book's tests: invented identities from a transport museum's ticket machines."""

import contextlib
import resource
import sys
from dataclasses import replace

import numpy as np

from app.analysis.adjust.nudging import Nudged, Rotation
from app.analysis.budget import Part
from app.analysis.results import Quantity, Side, Verdict
from app.book.model import Drive
from app.job.model import (
    ALIGNMENT,
    CheckName,
    DriveState,
    Entry,
    JobHead,
    JobOptions,
    Known,
    Limit,
    Outcome,
    Stage,
    Value,
)
from app.job.plan import JobStanding, KeptStep, StepState
from app.profiles import load_profile

DRIVE = Drive(
    "TM-0031 Nordtor", "130mm-48tpi", "ticket machine, hall 2", "2026-03-02T09:00:00+01:00"
)
HEAD = JobHead(
    opened_at="2026-03-02T09:05:00+01:00",
    source="sim:",
    virtual=True,
    software="0.1.0",
    profile="130mm-48tpi",
    profile_values=(("spindle.speed_rpm", "300 rpm", "format standards"),),
    conditions=(("room", "21 °C"),),
    plan="check",
    left_out=(("adjust", "the plan measures and moves nothing"),),
)


def now():
    return "2026-03-02T10:00:00+01:00"


def entry(number=1, stage=Stage.AS_FOUND, notes=("uncalibrated",)):
    rng = np.random.default_rng(number)
    return Entry(
        check=CheckName.RADIAL,
        stage=stage,
        label=f"side 0, {number}",
        taken_at=now(),
        track=16,
        values=(Value("offset", 40.0 + number / 3, 1.5, "µm"), Value("turns", 10.0)),
        notes=notes,
        turns=np.linspace(0, 1, 500, dtype=np.float32),
        envelope_v=rng.random(500, dtype=np.float32),
        source="sim:",
        virtual=True,
        settings=(("range", "0.2 V"),),
    )


def outcome(value=40.0, stage=Stage.AS_FOUND, check=CheckName.RADIAL, reason=""):
    return Outcome(
        check=check,
        stage=stage,
        verdict=Verdict.FAIL,
        value=value,
        u=1.5,
        unit="µm",
        limit=Limit(-31.4, 31.4, "µm", "common practice"),
        reason=reason,
        details=(Value("ratio", 0.63, 0.01),),
        budget=(Part("scatter", 0.2, unit="µm"),),
        ended_at=now(),
    )


def standing(**bench):
    """Return how the job of :func:`filled` stands: one check done, the screws loose."""
    steps = (
        KeptStep(CheckName.RADIAL, Stage.AS_FOUND, 0, StepState.DONE, 0),
        KeptStep(CheckName.ADJUST, Stage.WORK, 0, StepState.PENDING, None),
    )
    nudged = Nudged(-38.0, Quantity(40.0, 0.5), Quantity(3.0, 0.4), Rotation.CLOCKWISE)
    return JobStanding(
        steps,
        JobOptions(arrivals=2),
        DriveState(ALIGNMENT, True, loose=True, track=16, arrived=Side.OUTWARD, nudges=1, **bench),
        Known(Quantity(8.0, 0.1), 0.7, nudged=(nudged,), creeps_um=(Quantity(5.0, 0.2),)),
    )


def filled(book, count=3):
    """Put a drive with one job into a book, and return the job's number."""
    book.add_drive(DRIVE)
    number = book.open_job(DRIVE.identity, HEAD)
    for each in range(count):
        book.keep(number, entry(each))
    book.keep(number, outcome())
    book.keep(number, outcome(2.0, Stage.AS_LEFT))
    return number


def alike(one, other):
    """Tell whether two job records are the same, their arrays with them."""
    if one.drive != other.drive or one.head != other.head or one.outcomes != other.outcomes:
        return False
    ends = [(r.closed_at, r.closing_reason, r.nudges, r.as_found, r.as_left) for r in (one, other)]
    pairs = list(zip(one.entries, other.entries, strict=True))
    return ends[0] == ends[1] and all(_alike(a, b) for a, b in pairs)


def _alike(one, other):
    names = [name for name in one.__dataclass_fields__ if name not in ("turns", "envelope_v")]
    same = all(getattr(one, name) == getattr(other, name) for name in names)
    arrays = [(one.turns, other.turns), (one.envelope_v, other.envelope_v)]
    return same and all(
        (a is None and b is None) or (a.dtype == b.dtype and np.array_equal(a, b))
        for a, b in arrays
    )


@contextlib.contextmanager
def no_file_longer_than(count):
    """Let the system refuse longer files, as it does on a disk that gets full."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    # A part of a compiled module would be kept, and taken for all of it.
    compiles, sys.dont_write_bytecode = sys.dont_write_bytecode, True
    resource.setrlimit(resource.RLIMIT_FSIZE, (count, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        sys.dont_write_bytecode = compiles


def calibrate(
    book,
    check,
    value_um,
    u_um,
    *,
    disk="AD 7",
    at="2026-03-01T10:00:00.000+00:00",
    head=0,
    closed=True,
    virtual=False,
    **more,
):
    """Keep in a book a job that has calibrated a disk; returns its number."""
    conditions = (("alignment disk", disk),) if disk else ()
    job_head = replace(HEAD, profile="130mm-48tpi", virtual=virtual, conditions=conditions)
    number = book.open_job(DRIVE.identity, job_head)
    of = (check, Stage.WORK)
    track = load_profile("130mm-48tpi").alignment_track
    taken = Entry(*of, "at +0 µm", at, track, head, source="scope", virtual=virtual, **more)
    found = {"value": value_um, "u": u_um, "unit": "µm", "expanded_u": 2.2 * u_um, "ended_at": at}
    book.keep(number, taken, Outcome(*of, Verdict.NOTED, head, **found))
    if closed:
        book.close_job(number, at, 0, "")
    return number
