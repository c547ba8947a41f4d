"""A job as the book gives it: a transport museum's ticket machine, written by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from app.analysis.budget import Part, Shape
from app.analysis.results import Verdict
from app.book.model import Drive, JobRecord, JobSummary
from app.job.model import (
    CheckName,
    Entry,
    JobHead,
    Limit,
    Outcome,
    Stage,
    Summary,
    Value,
)
from app.profiles import load_profile, profile_values

FOUND, WORK, LEFT = Stage.AS_FOUND, Stage.WORK, Stage.AS_LEFT
CHECK = Limit(-26.5, 26.5, "µm", "common practice")
SET = Limit(-12.2, 12.2, "µm", "common practice")
BACKLASH = Limit(None, 25.0, "µm", "no source: our choice, the offset of a ratio of 75 %")
RPM = Limit(295.5, 304.5, "rpm", "from memory: drive manuals, 1 to 2 %")
BUDGET = (
    Part("reading", 0.35, unit="µm"),
    Part("scale of the disk", 1.1, shape=Shape.RECTANGULAR, unit="µm"),
    Part("seating", 0.9, dof=4.0, unit="µm"),
    Part("humidity", 1.4, -2.1, unit="µm"),
)


def lobes(first_v: float, second_v: float) -> tuple[np.ndarray, np.ndarray]:
    """Return a turn of two lobes, each half a cosine."""
    turns = np.linspace(0.0, 1.0, 1000, endpoint=False, dtype=np.float32)
    wave = np.abs(np.sin(2.0 * np.pi * turns))
    return turns, np.where(turns < 0.5, first_v, second_v).astype(np.float32) * wave.astype(
        np.float32
    )


def radial(stage: Stage, side: int, first_v: float, second_v: float) -> Entry:
    turns, envelope_v = lobes(first_v, second_v)
    return Entry(
        CheckName.RADIAL,
        stage,
        f"side {side}",
        "2031-04-12T10:05:00+02:00",
        16,
        side,
        (
            Value("offset", 80.0 * (first_v - second_v) / (first_v + second_v), 0.4, "µm"),
            Value("ratio", min(first_v, second_v) / max(first_v, second_v), 0.004),
            Value("first lobe", first_v, 4e-4, "V"),
            Value("second lobe", second_v, 4e-4, "V"),
        ),
        ("the scale is the disk's nominal one: no certificate was entered",),
        turns,
        envelope_v,
        "sound:?rate=192000",
        settings=(("rate", "192000 Hz"), ("full scale", "1.41 V")),
    )


def arrival(stage: Stage, label: str, offset_um: float) -> Entry:
    value = Value("offset", offset_um, 0.4, "µm")
    at = "2031-04-12T10:15:00+02:00"
    return Entry(
        CheckName.HYSTERESIS, stage, label, at, 16, values=(value,), source="sound:?rate=192000"
    )


def outcome(check: CheckName, stage: Stage, verdict: Verdict, **more: object) -> Outcome:
    return Outcome(check, stage, verdict, **more)  # type: ignore[arg-type]


def record(**changes: object) -> JobRecord:
    """Return the job of machine 7's upper drive."""
    arrivals = [
        arrival(stage, f"{side} {number}", middle + half + 0.3 * number)
        for stage, middle in ((FOUND, -34.0), (LEFT, 1.0))
        for number in (1, 2, 3)
        for side, half in (("from outside", 3.0), ("from inside", -3.0))
    ]
    seen = (
        ("write refused", "yes"),
        ("track-zero sensor on track 0", "yes"),
    )
    made = JobRecord(
        number=12,
        drive=Drive("machine 7, upper", "130mm-48tpi", "ticket printer, platform hall"),
        head=JobHead(
            opened_at="2031-04-12T09:40:00+02:00",
            source="sound:?rate=192000",
            virtual=False,
            software="0.4.0",
            profile="130mm-48tpi",
            profile_values=profile_values(load_profile("130mm-48tpi")),
            conditions=(
                ("done by", "workshop, bench 2"),
                ("equipment", "audio interface with series resistors; alignment disk no. 3"),
            ),
        ),
        entries=(
            *(
                Entry(CheckName.CARE, FOUND, key, "2031-04-12T09:45:00+02:00", notes=(said,))
                for key, said in seen
            ),
            radial(FOUND, 0, 0.118, 0.290),
            radial(FOUND, 1, 0.131, 0.270),
            *arrivals,
            radial(LEFT, 0, 0.201, 0.198),
            radial(LEFT, 1, 0.190, 0.204),
        ),
        outcomes=(
            outcome(
                CheckName.CARE,
                FOUND,
                Verdict.NOTED,
                details=(
                    Value("room temperature", 21.5, unit="°C"),
                    Value("relative humidity", 44.0, unit="%"),
                    Value("shift of the track by temperature and humidity", -0.9, 1.1, "µm"),
                ),
            ),
            outcome(
                CheckName.SPEED, FOUND, Verdict.PASS, value=301.24, u=0.04, unit="rpm", limit=RPM
            ),
            outcome(
                CheckName.SEATING,
                FOUND,
                Verdict.NOTED,
                value=0.9,
                u=0.32,
                unit="µm",
                reason="the spread is one of zero: the disk's shape differs each time",
                details=(Value("spread of single seatings", 2.0, unit="µm"),),
            ),
            *(
                outcome(
                    CheckName.RADIAL,
                    FOUND,
                    Verdict.FAIL,
                    side=side,
                    value=um,
                    u=2.0,
                    unit="µm",
                    limit=CHECK,
                    budget=BUDGET,
                )
                for side, um in ((0, -33.7), (1, -27.7))
            ),
            outcome(
                CheckName.HYSTERESIS,
                FOUND,
                Verdict.PASS,
                value=6.0,
                u=0.3,
                unit="µm",
                limit=BACKLASH,
                details=(Value("middle", -33.4, 2.0, "µm"),),
                budget=(Part("scatter", 0.28, unit="µm"), Part("scale", 0.1, unit="µm")),
            ),
            outcome(
                CheckName.ADJUST,
                WORK,
                Verdict.PASS,
                value=0.8,
                u=1.7,
                unit="µm",
                limit=SET,
                budget=BUDGET,
            ),
            outcome(
                CheckName.LOCK,
                WORK,
                Verdict.PASS,
                value=0.9,
                u=0.5,
                unit="µm",
                limit=SET,
            ),
            outcome(
                CheckName.AZIMUTH,
                WORK,
                Verdict.UNDECIDED,
                value=16.4,
                u=1.5,
                unit="arcmin",
                limit=Limit(-18.0, 18.0, "arcmin", "from memory: drive manuals"),
                reason="the value is nearer to its limit than its uncertainty",
                details=(Value("misfit", 1.2, unit="%"),),
            ),
            outcome(CheckName.OUTPUT, WORK, Verdict.SKIPPED, reason="no scratch disk at the bench"),
            outcome(CheckName.TRACK_ZERO, WORK, Verdict.PASS, reason="common practice: sensor"),
            *(
                outcome(
                    CheckName.RADIAL,
                    LEFT,
                    Verdict.PASS,
                    side=side,
                    value=um,
                    u=1.9,
                    unit="µm",
                    limit=SET,
                    budget=BUDGET,
                )
                for side, um in ((0, 0.6), (1, -2.8))
            ),
            outcome(
                CheckName.HYSTERESIS,
                LEFT,
                Verdict.PASS,
                value=6.0,
                u=0.3,
                unit="µm",
                limit=BACKLASH,
                details=(Value("middle", 1.6, 1.9, "µm"),),
            ),
            outcome(
                CheckName.SPEED, LEFT, Verdict.PASS, value=300.03, u=0.04, unit="rpm", limit=RPM
            ),
        ),
        closed_at="2031-04-12T11:20:00+02:00",
        nudges=3,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def past(
    number: int, day: str, found_um: float, left_um: float, *, virtual: bool = False
) -> JobSummary:
    found, left = (Summary(Value("", um, 1.8, "µm")) for um in (found_um, left_um))
    at = f"{day}T10:00:00+02:00"
    return JobSummary(number, at, at, virtual, found, left, 2)


HISTORY = (
    past(3, "2028-05-02", -12.0, 1.0),
    past(5, "2029-04-20", -19.5, -1.5),
    past(9, "2030-06-11", -25.0, 0.5),
    past(12, "2031-04-12", -33.4, 1.6),
)


def made_virtual(job: JobRecord) -> JobRecord:
    """Return the same job as if on the virtual drive."""
    return replace(
        job,
        head=replace(job.head, virtual=True, source="sim:"),
        entries=tuple(replace(entry, virtual=True, source="sim:") for entry in job.entries),
    )


def solid_grey(picture: np.ndarray) -> np.ndarray:
    """Return where a picture's dot and all around it are the grey of the virtual drive's mark."""
    pale = (picture > 205) & (picture < 235)
    inner = np.zeros_like(pale)
    parts = [
        pale[i : pale.shape[0] - 2 + i, j : pale.shape[1] - 2 + j]
        for i in range(3)
        for j in range(3)
    ]
    inner[1:-1, 1:-1] = np.all(parts, axis=0)
    return inner


_MARKUP = "</style></td><script>document.title='owned'</script>"
_IMAGE = "<img src=x onerror=\"document.title='owned'\">"
_SIGNS = "\" onload='1' &amp; {0} %s \u202egnorw\u202c \x00\x07\x1b[31m \ud800 "
HOSTILE = f"{_MARKUP}{_IMAGE}{_SIGNS}\u05e9\u05dc\u05d5\u05dd \u0645\u0631\u062d\u0628\r\n"


def hostile(job: JobRecord, text: str) -> JobRecord:
    """Return the same job with `text` in everything that a user, or a file of theirs, can say."""
    head = replace(
        job.head,
        source=text,
        software=text,
        profile=text,
        profile_values=((text, text, text),),
        conditions=((text, text),),
        plan=text,
        left_out=((text, text),),
    )
    entries = tuple(
        replace(
            entry,
            label=entry.label if entry.check is CheckName.HYSTERESIS else text,
            notes=(text,),
            source=text,
            settings=((text, text),),
            instrument=text,
            profile=text,
            # What is looked for by its name has to keep it.
            values=(*entry.values, Value(text, 1.0, 0.1, text)),
        )
        for entry in job.entries
    )
    outcomes = tuple(
        replace(
            each,
            reason=text,
            limit=None if each.limit is None else replace(each.limit, source=text),
            details=(*each.details, Value(text, 1.0, 0.1, text)),
            budget=(*each.budget, Part(text, 0.1, unit=each.unit)),
            ended_at=text,
            aim=text,
        )
        for each in job.outcomes
    )
    return replace(
        job,
        drive=Drive(text, text, text, text),
        head=head,
        entries=entries,
        outcomes=outcomes,
        closing_reason=text,
    )
