"""Whole jobs on the scripted drive: what is asked, what is kept, and what each check finds."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

from app.analysis.results import Quantity
from app.job.aims import aim_of
from app.job.budget import what_dominates
from app.job.job import Job
from app.job.model import (
    INSISTED,
    Ask,
    CheckName,
    Do,
    Enter,
    Entry,
    JobOptions,
    Measure,
    Outcome,
    Stage,
)
from app.job.origin import Origin
from app.job.plan import Plan, Planned, left_out, plan_for
from app.job.units import ask_in, outcome_in
from app.job.verdicts import what_next
from app.numbers import Unit
from app.profiles import load_profile
from tests.app.job.hands import ScriptedDrive
from tests.recorded.keeping import Net
from tests.recorded.telling import told

_MOST_ASKS = 600
FEW = JobOptions(seatings=3, arrivals=2, turns=5, speed_turns=9, most_nudges=6)
FULL = plan_for(load_profile("130mm-48tpi"))


@dataclass(frozen=True)
class Case:
    """A job: the drive that it is on, as far as it is another than usual, and how it is led."""

    drive: dict[str, Any] = field(default_factory=dict)
    plan: Plan = Plan.FULL
    checks: tuple[CheckName, ...] = ()
    stage: Stage = Stage.WORK
    profile: str = "130mm-48tpi"
    options: JobOptions = FEW
    aim: str = ""
    insists: bool = False
    archive_um: Quantity | None = None
    in_words: bool = False
    """What is asked and every entry is told to the last word."""


def _drive(**given: Any) -> ScriptedDrive:
    drive = ScriptedDrive()
    for name, value in given.items():
        assert hasattr(drive, name), name
        setattr(drive, name, dict(value) if isinstance(value, dict) else value)
    drive.zero_shifts_um, drive.sums = list(drive.zero_shifts_um), list(drive.sums)
    drive.gauge_zero_um = drive.middle_um
    return drive


class Log:
    """Tells in lines what a job gives to be kept."""

    def __init__(self, case: Case) -> None:
        self.lines: list[str] = []
        self._case = case

    def keep(self, *kept: Any) -> None:
        for each in kept:
            if isinstance(each, Outcome):
                self.lines += list(_found(each))
            elif isinstance(each, Entry) and self._case.in_words:
                self.lines.append(f"    kept {told(each)}")
            elif isinstance(each, Entry) and each.notes:
                self.lines.append(f"    {each.label}: {told(each.notes)}")

    def close(self, nudges: int, reason: str) -> None:
        self.lines.append(f"closed after {nudges} nudges: {reason}")


def _found(outcome: Outcome) -> Iterator[str]:
    bare = replace(outcome, details=(), budget=(), ended_at=outcome.ended_at[-12:-6])
    yield f"  {told(bare)}"
    for detail in outcome.details:
        yield f"    {told(detail)}"
    for part in outcome.budget:
        yield f"    {told(part)}"
    for said in (what_next(outcome), what_dominates(outcome.budget)):
        if said is not None:
            yield f"    {said}"


def _asked(ask: Ask, in_words: bool) -> str:
    if in_words:
        in_mils = told(ask if isinstance(ask, Measure) else ask_in(ask, Unit.MIL))
        return told(ask) if in_mils == told(ask) else f"{told(ask)}\n  or {in_mils}"
    match ask:
        case Do():
            stops = f" {ask.track} {ask.head} via {ask.via}" if ask.stops else ""
            amount = "" if ask.amount is None else f" {told(ask.amount)}"
            return f"{ask.action}{amount}{stops}"
        case Measure():
            return f"measure {ask.measurand} {ask.label}"
        case Enter():
            return f"enter {ask.key}"


def _begin(case: Case, log: Log) -> Job:
    profile = load_profile(case.profile)
    plan = plan_for(profile, plan=case.plan)
    if case.checks:
        plan = [Planned(each, case.stage) for each in case.checks]
    ticks = iter(range(10**6))
    return Job(
        profile,
        False,
        plan=plan,
        options=case.options,
        now=lambda: f"2026-03-01T10:00:00.{next(ticks):06d}+00:00",
        log=log,
        source="scripted",
        archive_um=case.archive_um,
    )


def _lead(job: Job, drive: ScriptedDrive, case: Case, log: Log, most: int = _MOST_ASKS) -> None:
    for _ in range(most):
        ask = job.ask
        if ask is None:
            return
        log.lines.append(_asked(ask, case.in_words))
        answer = drive.answer(ask)
        job.answer(INSISTED if case.insists and isinstance(ask, Do) and ask.noticed else answer)


def _standing(job: Job) -> Iterator[str]:
    yield f"steps {[f'{s.check} {s.stage} {s.head} {s.state}' for s in job.steps]}"
    yield f"at {job.at}; target {told(job.target_um)}; zero {told(job.zero_um)}"
    yield f"as found {told(job.as_found)}"
    yield f"as left {told(job.as_left)}"
    yield f"open {[f'{o.check} {o.side}' for o in job.open_failures]}; closes {job.may_close}"
    yield told(job.drive)
    yield told(job.known)


def whole(case: Case) -> list[str]:
    """Tell a job from its beginning to its close."""
    log = Log(case)
    job, drive = _begin(case, log), _drive(**case.drive)
    log.lines.append(f"left out {told(left_out(job.profile, plan=case.plan))}")
    if case.aim:
        _aim(job, drive, case, log)
    _lead(job, drive, case, log)
    log.lines += _standing(job)
    if case.in_words:
        log.lines += [told(outcome_in(each, Unit.MIL)) for each in job.outcomes]
    job.close("as far as it went")
    return log.lines


def _aim(job: Job, drive: ScriptedDrive, case: Case, log: Log) -> None:
    """Measure as found, and then say where the head is to be."""
    while job.ask is not None and job.step is not None and job.step.stage is Stage.AS_FOUND:
        _lead(job, drive, case, log, 1)
    try:
        job.aim_at(aim_of(job.profile, job.known, case.aim))
    except ValueError as refusal:
        log.lines.append(str(refusal))


def led_about() -> list[str]:
    """Tell a job that is left, repeated, taken back and gone on with in each way there is."""
    case = Case()
    log = Log(case)
    job, drive = _begin(case, log), _drive()

    def tell(what: str, do: Callable[[], object]) -> None:
        log.lines.append(f"-- {what}")
        try:
            do()
        except ValueError as refusal:
            log.lines.append(str(refusal))
        log.lines += _standing(job)

    go = partial(_lead, job, drive, case, log)
    tell("undo at the beginning", job.undo)
    tell("two answers", lambda: go(2))
    tell("undo", job.undo)
    tell("skip for nothing", lambda: job.skip("  "))
    tell("skip", lambda: job.skip(" no room "))
    tell("a wrong answer", lambda: job.answer("?"))
    tell("on", lambda: go(60))
    tell("another source", lambda: job.move_to(Origin("other", False, "Scope 1", "130mm-48tpi")))
    tell("a virtual one", lambda: job.move_to(Origin("sim:", True)))
    tell("another class", lambda: job.move_to(Origin("other", False, "", "90mm-135tpi")))
    tell("the disk stops", job.disk_has_stopped)
    tell("go to the eighth", lambda: job.go_to(8))
    tell("go to the first", lambda: job.go_to(0))
    tell("repeat the first", lambda: job.repeat(0))
    tell("on", lambda: go(40))
    tell("the way back", lambda: job.aim_at(aim_of(job.profile, job.known, "as found")))
    tell("to the end", lambda: go(400))
    tell("a stated aim", lambda: job.aim_at(aim_of(job.profile, job.known, "12±1 µm")))
    tell("on", lambda: go(25))
    tell("speed again", lambda: job.again({CheckName.SPEED, CheckName.CENTRE}))
    tell("repeat one as found", lambda: job.repeat(3))
    tell("on", lambda: go(30))
    tell("close for nothing", job.close)
    tell("close", lambda: job.close("enough for today"))
    tell("answer", lambda: job.answer(True))
    tell("aim", lambda: job.aim_at(aim_of(job.profile, job.known, "3")))
    return log.lines


def resumed() -> list[str]:
    """Tell a job that is left within a check and gone on with."""
    case = Case(drive={"creep_um": 3.0, "apart_um": 12.0})
    log = Log(case)
    job, drive = _begin(case, log), _drive(**case.drive)
    _lead(job, drive, case, log, 150)
    again = Job(
        job.profile,
        False,
        now=lambda: "2026-03-02T10:00:00+00:00",
        log=log,
        source="another",
        left=(job.standing, job.outcomes),
    )
    log.lines += _standing(again)
    _lead(again, drive, case, log)
    log.lines += _standing(again)
    return log.lines


NO = {"write refused": "no"}
ROOM = {"room temperature": 31.0, "relative humidity": 70.0, "minutes since power-on": 12.0}
CASES = {
    "usual": Case(in_words=True),
    "thorough": Case({"middle_um": -45.0, "creep_um": 4.0}, options=JobOptions()),
    "check only": Case({"apart_um": 9.0}, Plan.CHECK),
    "adjust only": Case({"middle_um": 88.0, "creep_um": -14.0}, Plan.ADJUST),
    "no alignment disk": Case({"middle_um": -70.0, "creep_um": 6.0}, Plan.CENTRE, in_words=True),
    "no alignment disk, narrow": Case({"track_um": 155.0, "middle_um": 20.0}, Plan.CENTRE),
    "scale": Case({"scale_um": 190.0, "creep_um": 9.0}, Plan.SCALE, in_words=True),
    "zero": Case(
        {
            "middle_um": 3.0,
            "zero_shifts_um": [6.0, 3.5, 5.5, 7.0, 5.0] * 4,
            "entries": {"check standard's offset": 2.0, "u of the check standard": 0.5},
        },
        Plan.ZERO,
        in_words=True,
    ),
    "zero, nothing known": Case({}, Plan.ZERO),
    "working disk": Case(
        {"zero_shifts_um": [2.0, -1.0, 0.5, 3.0, -2.0] * 8, "drift_um": 0.05},
        Plan.WORKING_DISK,
        in_words=True,
    ),
    "even": Case({"middle_um": 0.5, "backlash_um": 1.0}),
    "one lobe, outward": Case({"middle_um": 230.0}),
    "one lobe, inward": Case({"middle_um": -260.0, "creep_um": 5.0}),
    "no index": Case({"indexed": False}),
    "silent": Case({"silent": True}),
    "write protect fails": Case({"entries": NO}),
    "a warm room": Case({"entries": ROOM}),
    "seatings that differ": Case({"zero_shifts_um": [3.0, -5.0, 1.0, 4.0, -2.0, 6.0, -3.0] * 4}),
    "seatings of which the clamp makes more or less": Case(
        {"sums": [1.01, 0.98, 1.02, 0.99] * 5, "zero_shifts_um": [3.0, -2.0, 1.0] * 6}
    ),
    "heads apart": Case({"apart_um": 30.0, "middle_um": 40.0}),
    "heads too far apart": Case({"apart_um": -75.0, "middle_um": 60.0}),
    "second head out of sight": Case({"apart_um": 120.0, "middle_um": 60.0}),
    "backlash": Case({"backlash_um": 55.0, "middle_um": 10.0}),
    "play and slope": Case({"play_um": 14.0, "slope_um": 40.0}),
    "creep": Case({"creep_um": 22.0, "middle_um": -30.0}),
    "creep, to the last nudge": Case({"creep_um": 60.0}, options=replace(FEW, most_nudges=4)),
    "warm": Case({"warm_um": 25.0, "middle_um": 5.0}),
    "drift": Case({"drift_um": 0.6}),
    "fast": Case({"speed_rpm": 306.5}),
    "slow by little": Case({"speed_rpm": 298.2}),
    "azimuth, index, output": Case(
        {
            "azimuth_arcmin": 21.0,
            "width_u_arcmin": 0.15,
            "index_us": 460.0,
            "skew_us": 55.0,
            "first_f_v": Quantity(0.2, 0.01),
        }
    ),
    "scale of its own": Case({"scale_um": 150.0, "middle_um": 50.0}),
    "some missing": Case(
        {"missing": ["seating 2", "from inside 1", "side 1", "look 2", "nudge 1"]}
    ),
    "hands that insist": Case({"backlash_um": 3.0}, insists=True),
    "aim stated": Case({"middle_um": 50.0, "creep_um": 3.0}, aim="-20±1"),
    "aim in mils": Case({"apart_um": 10.0}, aim="1.2 mil"),
    "aim too far": Case({}, Plan.ADJUST, aim="400"),
    "aim as found": Case({"middle_um": 35.0, "creep_um": 5.0, "apart_um": 8.0}, aim="as found"),
    "aim of an archive": Case(
        {"middle_um": 44.0, "creep_um": 2.0}, aim="archive's disk", archive_um=Quantity(-9.0, 1.5)
    ),
    "aim of no archive": Case({}, Plan.ADJUST, aim="archive's disk"),
    "aim in words": Case({}, Plan.ADJUST, aim="here"),
    **{
        f"class {name}": Case({"middle_um": 12.0, "creep_um": 2.0, "apart_um": 5.0}, profile=name)
        for name in (
            "130mm-48tpi-35-tracks",
            "130mm-48tpi-five-tracks",
            "130mm-48tpi-leadscrew",
            "130mm-48tpi-one-side",
            "130mm-96tpi",
            "130mm-96tpi-13262",
            "200mm-48tpi",
            "90mm-135tpi",
            "90mm-135tpi-15916",
        )
    },
}
NET = Net(
    "jobs",
    {
        **{name: partial(whole, case) for name, case in CASES.items()},
        "led about": led_about,
        "resumed": resumed,
    },
)
