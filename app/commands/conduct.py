"""A job over an open source, without a window: measured in one loop, asked for by a technician.

Threads: one. With a person at a terminal there is a second, named *typing*, which waits for lines
and puts them into a queue, so that the source is read on while the person works.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection
from typing import Any, Protocol

from app.analysis.bench.arrival import ArrivalWatch
from app.analysis.findings import Measurement
from app.analysis.reading import Quantity
from app.commands.options import UsageFault
from app.commands.prompting import Back, Reply, Said, Skip, Typist
from app.commands.terminal import Interrupt, interrupted
from app.job import messages
from app.job.bench import JobOptions
from app.job.job import Job
from app.job.model import CheckName, Do, Enter, Outcome, Summary, Take, Taking, Value
from app.job.next import what_next
from app.job.plan import plan_for
from app.job.standing import Standing
from app.job.takings import Answer
from app.job.technician import DriveHands, Technician
from app.live.gauge import Gauge
from app.live.measure import AnyAnalyser, EnvelopeOptions, analyser_for
from app.profiles import Profile
from app.records.left import Left
from app.stamp import now
from app.words import plus_minus
from instruments.source import Block, Source, SourceEnd, SourceTimeout

SCHEMA = "evenlobe.job/1"
_READ_S = 0.2
_SILENCE_S = 5.0


class Recorder(Protocol):
    """Where a job is kept."""

    def add_taking(self, taking: Taking) -> None:
        """Keep a measurement."""
        ...

    def add_outcome(self, outcome: Outcome) -> None:
        """Keep what a check came to."""
        ...

    def add_standing(self, standing: Standing) -> None:
        """Keep how the job stands."""
        ...

    def close(self, nudges: int, reason: str) -> None:
        """Keep that the job was closed."""
        ...


class _Interrupted(Exception):  # noqa: N818
    """Somebody asked for the end in the middle of something."""


def checks_named(text: str | None) -> tuple[CheckName, ...]:
    """Read a list of checks, parted by commas; all of them when nothing is said.

    Raises
    ------
    UsageFault
        When a name is none.
    """
    if text is None:
        return tuple(CheckName)
    names = []
    for word in (part.strip().lower() for part in text.split(",")):
        if word not in set(CheckName):
            known = ", ".join(CheckName)
            raise UsageFault(f"--checks: “{word}” is not a check; use {known}, parted by commas")
        names.append(CheckName(word))
    return tuple(names)


def conduct(
    source: Source,
    profile: Profile,
    envelope: EnvelopeOptions,
    *,
    checks: Collection[CheckName] = tuple(CheckName),
    options: JobOptions | None = None,
    left: Left | None = None,
    recorder: Recorder | None = None,
    typist: Typist | None = None,
    tell: Callable[[str], None] | None = None,
) -> Job:
    """Run a job over an open source until it is done, given up or interrupted.

    A source with controls, the virtual drive, is worked on by the virtual technician; all others
    by the person at `typist`.

    Parameters
    ----------
    source : Source
        Open; not closed here.
    profile, envelope : Profile, EnvelopeOptions
        The class and its disk; what is stated about an envelope.
    checks : collection of CheckName
        Those that are wanted; of a job that is gone on with, those to be done once more.
    options : JobOptions, optional
        How thorough it is.
    left : Left, optional
        An open job to go on with; `options` are then its own.
    recorder : Recorder, optional
        Where it is kept.
    typist : Typist, optional
        The person; must be there for a source without controls.
    tell : callable, optional
        Told a line for each check that ends.

    Returns
    -------
    Job
        ``closed`` says whether it could be closed.

    Raises
    ------
    SourceError
        When the source cannot be read; what was measured until then is kept.
    BookError
        When what was left does not fit the source or the class.
    """
    info = source.info
    envelope.check(info)
    if left is not None:
        left.check_fits(profile, info.virtual)

    def ended(outcome: Outcome) -> None:
        if recorder is not None:
            recorder.add_outcome(outcome)
        if tell is not None:
            tell(outcome_line(outcome))

    job = Job(
        profile,
        info.virtual,
        plan=plan_for(profile, checks),
        options=options,
        now=now,
        on_taking=_nowhere if recorder is None else recorder.add_taking,
        on_outcome=ended,
        on_standing=_nowhere if recorder is None else recorder.add_standing,
        source=info.name,
        left=None if left is None else (left.standing, left.outcomes),
    )
    if left is not None:
        job.again(checks)
    with interrupted() as stop:
        reason = _Conductor(source, job, envelope, typist, stop).run()
    if job.may_close or reason:
        job.close(reason)
        if recorder is not None:
            recorder.close(job.nudges, reason)
    return job


def _nowhere(_: object) -> None:
    """Keep nothing."""


class _Conductor:
    """Answers a job's asks, one after the other."""

    def __init__(
        self,
        source: Source,
        job: Job,
        envelope: EnvelopeOptions,
        typist: Typist | None,
        stop: Interrupt,
    ) -> None:
        self._source = source
        self._job = job
        self._envelope = envelope
        self._typist = typist
        self._stop = stop
        hands: DriveHands | None = getattr(source, "controls", None)
        self._technician = None if hands is None else Technician(hands)
        self._heard_s = time.monotonic()

    def run(self) -> str:
        """Go on until nothing is asked any more, or somebody asks for the end.

        Returns the person's reason for closing with open failures, empty where there is none.
        """
        try:
            while self._job.ask is not None:
                self._meet()
            if self._typist is None or self._job.may_close:
                return ""
            reply = self._by_person(Enter("closing reason", messages.CLOSE_ANYWAY))
        except _Interrupted:
            return ""
        return str(reply.value or "") if isinstance(reply, Said) else ""

    def _meet(self) -> None:
        """Have what is asked answered."""
        job, ask = self._job, self._job.ask
        if isinstance(ask, Take):
            job.answer(self._measure(ask), getattr(self._source, "settings", ()))
            return
        assert ask is not None
        reply = self._by_technician(ask) if self._technician else self._by_person(ask)
        if isinstance(reply, Skip):
            job.skip(reply.reason)
        elif isinstance(reply, Back):
            if job.can_undo:
                job.undo()
        else:
            self._answer(reply.value)

    def _answer(self, value: Answer) -> None:
        try:
            self._job.answer(value)
        except ValueError as fault:
            # What was typed cannot stand; it is asked for again.
            if self._typist is None:
                raise
            self._typist.say(str(fault))

    def _by_technician(self, ask: Do | Enter) -> Reply:
        assert self._technician is not None
        if isinstance(ask, Enter):
            return Said(self._technician.enter(ask))
        self._technician.do(ask)
        # The virtual drive moves in the samples: what is seen of it follows from the next block.
        self._read()
        return Said(True)

    def _by_person(self, ask: Do | Enter) -> Reply:
        """Read the source on until the person answers, or the tool sees that it was done."""
        typist = self._typist
        if typist is None:
            raise _Interrupted
        step = self._job.step
        typist.prompt(ask, "end" if step is None else f"{step.check}, {step.stage}")
        noticed = self._noticing() if isinstance(ask, Do) and ask.noticed else None
        while not typist.ended:
            reply = typist.reply(ask)
            if reply is not None:
                return reply
            block = self._read()
            if block is not None and noticed is not None and noticed(block):
                typist.say("seen")
                return Said(True)
        raise _Interrupted

    def _noticing(self) -> Callable[[Block], bool]:
        """Return what tells, block by block, whether the head has left the track and come back."""
        info = self._source.info
        options = self._envelope.where_fitting(info)
        analyser = analyser_for(info, self._job.profile, options, keep_all=False)
        watch = ArrivalWatch()

        def noticed(block: Block) -> bool:
            _push(analyser, block)
            watch.push(analyser.reading, block.t0_s)
            return watch.arrived

        return noticed

    def _measure(self, ask: Take) -> Measurement:
        """Measure from what comes after the ask."""
        info = self._source.info
        gauge = Gauge(
            ask.want,
            info,
            self._job.profile,
            self._envelope,
            turns=ask.turns,
            track=ask.track,
            side=ask.side,
        )
        asked_s = time.monotonic()
        while not gauge.done:
            try:
                block = self._read()
            except SourceEnd:
                break
            # What the input still holds from before belongs to what the hands did before.
            if block is None or (info.live and block.t0_s < asked_s):
                continue
            _push(gauge, block)
        return gauge.finish()

    def _read(self) -> Block | None:
        """Return the next block, None when none has come yet."""
        if self._stop.asked:
            raise _Interrupted
        try:
            block = self._source.read(_READ_S)
        except SourceTimeout:
            if time.monotonic() - self._heard_s > _SILENCE_S:
                raise
            return None
        self._heard_s = time.monotonic()
        return block


def _push(to: Gauge | AnyAnalyser, block: Block) -> None:
    to.push(
        block.samples_v,
        block.first_index,
        gap_before=block.gap_before,
        at_index=block.at_index,
        clipped=block.clipped,
        extremes=block.extremes,
    )


def outcome_line(outcome: Outcome) -> str:
    """Return what a check came to, in one line."""
    side = f" side {outcome.side}" if outcome.side else ""
    words = [f"{outcome.check}{side}, {outcome.stage}: {outcome.verdict}"]
    if outcome.value is not None:
        words.append(plus_minus(Quantity(outcome.value, outcome.u or 0.0), f" {outcome.unit}"))
    if outcome.reason:
        words.append(f"({outcome.reason})")
    following = what_next(outcome)
    if following is not None:
        words.append(f"Next: {following}.")
    return "  ".join(words)


def job_as_json(job: Job, drive: str, virtual: bool) -> dict[str, Any]:
    """Return a job as plain values: the object that ``job --json`` prints."""
    return {
        "schema": SCHEMA,
        "drive": drive,
        "virtual": virtual,
        "checks": [
            {
                "check": str(outcome.check),
                "stage": str(outcome.stage),
                "side": outcome.side,
                "value": outcome.value,
                "u": outcome.u,
                "unit": outcome.unit,
                "verdict": str(outcome.verdict),
                "reason": outcome.reason,
            }
            for outcome in job.outcomes
        ],
        "as_found": _summary(job.as_found),
        "as_left": _summary(job.as_left),
        "nudges": job.nudges,
    }


def _summary(summary: Summary) -> dict[str, Any]:
    def quantity(value: Value | None) -> dict[str, float | None] | None:
        return None if value is None else {"value": value.value, "u": value.u}

    return {
        "offset_um": quantity(summary.offset_um),
        "hysteresis_um": quantity(summary.hysteresis_um),
        "speed_rpm": quantity(summary.speed_rpm),
    }
