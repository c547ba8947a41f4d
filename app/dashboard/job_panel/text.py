"""What the window says of a job: names, verdicts and figures, without any widget."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from app.analysis.budget import Part, shares
from app.analysis.results import Verdict
from app.dashboard.text import said, translate
from app.job.budget import what_dominates
from app.job.job import Job
from app.job.model import SCRATCH, Action, CheckName, Do, Outcome, Stage, Value
from app.job.plan import Step, StepState
from app.job.sentences import message_of
from app.job.units import outcome_in
from app.job.verdicts import what_next
from app.numbers import Unit, chance_words, words_shown
from app.report.blocks import VERDICTS, amount, clean, found_of, is_sided, limit_words

LEAST_TOLD_UM = 0.05
"""Of less than this no figure is told: it would round to nought."""
_MOST_DETAILS = 6
_MOST_BARS = 3
_LEAST_SHARE = 0.01


def check_name(check: CheckName) -> str:
    """Return a check's name."""
    return {
        CheckName.CARE: translate("job", "Before power"),
        CheckName.MECHANICS: translate("job", "Mechanics"),
        CheckName.SPEED: translate("job", "Spindle speed"),
        CheckName.DRIFT: translate("job", "Drift"),
        CheckName.SEATING: translate("job", "Seating"),
        CheckName.RADIAL: translate("job", "Radial"),
        CheckName.TRACKS: translate("job", "All tracks"),
        CheckName.SEEKS: translate("job", "Long seeks"),
        CheckName.PUSH: translate("job", "Play"),
        CheckName.HYSTERESIS: translate("job", "Hysteresis"),
        CheckName.ADJUST: translate("job", "Adjust"),
        CheckName.LOCK: translate("job", "Lock"),
        CheckName.AZIMUTH: translate("job", "Azimuth"),
        CheckName.INDEX: translate("job", "Index timing"),
        CheckName.OUTPUT: translate("job", "Head output"),
        CheckName.TRACK_ZERO: translate("job", "Track zero"),
        CheckName.CENTRE: translate("job", "Ordinary track"),
        CheckName.SCALE: translate("job", "Scale of the disk"),
        CheckName.ZERO: translate("job", "Zero of the disk"),
        CheckName.WORKING_DISK: translate("job", "Working disk"),
    }[check]


def stage_name(stage: Stage) -> str:
    """Return a stage's name."""
    return translate("job", stage.value)


def verdict_name(verdict: Verdict) -> str:
    """Return a verdict's word, as the report has it."""
    return translate("job", VERDICTS[verdict])


def step_title(step: Step, sides: int) -> str:
    """Return a step's name with its stage, where there is another of that name to tell it from."""
    name = step_name(step, sides)
    return name if step.stage is Stage.WORK else f"{name}, {stage_name(step.stage)}"


def away_words(job: Job) -> str:
    """Return why the head is not where the lobes are, empty where the job knows of no reason."""
    drive = job.drive
    if job.closed:
        return ""
    if drive.disk == SCRATCH:
        return translate("job", "The scratch disk is in the drive: it has no lobes.")
    track = drive.track
    if isinstance(job.ask, Do) and job.ask.action is Action.SEEK:
        track = job.ask.track if track in (None, job.profile.alignment_track) else track
    if track is None or track == job.profile.alignment_track:
        return ""
    words = translate("job", "The head is to be on track {0}; the lobes are on track {1}.")
    return words.format(track, job.profile.alignment_track)


def step_name(step: Step, sides: int) -> str:
    """Return a step's name, with its side where there are two."""
    name = check_name(step.check)
    if sides > 1 and is_sided(step.check, step.head):
        return translate("job", "{0}, side {1}").format(name, step.head)
    return name


@dataclass(frozen=True, slots=True)
class Row:
    """One step in the list."""

    name: str
    stage: str
    state: StepState
    verdict: Verdict | None
    word: str
    """The verdict, or the state, in a word."""
    value: str
    """Its number with the expanded uncertainty."""

    @property
    def spoken(self) -> str:
        """The row in one line, for a screen reader."""
        return ", ".join(filter(None, (self.name, self.stage, self.value, self.word)))


def rows_of(job: Job, unit: Unit = Unit.UM) -> tuple[Row, ...]:
    """Return the steps of a job as they are listed, their lengths in `unit`."""
    sides = job.profile.sides
    return tuple(_row(step, sides, unit) for step in job.steps)


def _row(step: Step, sides: int, unit: Unit) -> Row:
    outcome = None if step.outcome is None else outcome_in(step.outcome, unit)
    name, stage = step_name(step, sides), stage_name(step.stage)
    if outcome is None:
        word = {
            StepState.IN_HAND: translate("job", "in hand"),
            StepState.SKIPPED: translate("job", "skipped"),
        }.get(step.state, "")
        return Row(name, stage, step.state, None, word, "")
    verdict = outcome.verdict
    return Row(name, stage, step.state, verdict, verdict_name(verdict), value_words(outcome))


def value_words(outcome: Outcome) -> str:
    """Return an outcome's number with its expanded uncertainty, empty where it has none."""
    return "" if outcome.value is None else found_of(outcome)


def outcome_words(kept: Outcome, unit: Unit = Unit.UM) -> str:
    """Return the outcome of a check and what to do next, in a few lines, lengths in `unit`."""
    outcome = outcome_in(kept, unit)
    lines = [value_words(outcome)] if outcome.value is not None else []
    if outcome.limit is not None:
        judged = translate("job", "limit {0}").format(limit_words(outcome.limit))
        lines.append(f"{judged} ({outcome.limit.source})" if outcome.limit.source else judged)
    if outcome.conformity is not None:
        chance = chance_words(outcome.conformity)
        lines.append(translate("job", "within its limit with {0}").format(chance))
    if kept.reason:
        # Translated as it was kept; why a check was skipped is in the user's own words.
        reason = said(message_of(kept.reason))
        skipped = kept.verdict is Verdict.SKIPPED
        lines.append(clean(reason if skipped else words_shown(reason, unit), 400))
    following = what_next(outcome)
    if following is not None:
        lines.append(translate("job", "Next: {0}.").format(said(following)))
    dominates = what_dominates(outcome.budget)
    if dominates is not None:
        lines.append(said(dominates))
    details = [_detail(each) for each in outcome.details[:_MOST_DETAILS]]
    return "\n".join([*lines, " · ".join(details)]).strip()


@dataclass(frozen=True, slots=True)
class Bar:
    """A part of a budget, with its share of the variance, 0 to 1."""

    name: str
    share: float

    @property
    def words(self) -> str:
        """All that the bar tells."""
        return f"{100.0 * self.share:.0f} %  {self.name}"


def budget_bars(parts: Sequence[Part]) -> tuple[Bar, ...]:
    """Return the largest parts of a budget; one of a single part has nothing to compare."""
    if len(parts) < 2 or not any(part.u for part in parts):
        return ()
    found = sorted(zip(shares(parts), parts, strict=True), key=lambda each: -each[0])
    largest = found[:_MOST_BARS]
    return tuple(
        Bar(translate("job", part.name), share) for share, part in largest if share >= _LEAST_SHARE
    )


def _detail(value: Value) -> str:
    return f"{translate('job', value.name)} {amount(value)}"


def done_words(job: Job) -> str:
    """Return how many of the steps have ended."""
    ended = sum(step.state in (StepState.DONE, StepState.SKIPPED) for step in job.steps)
    return translate("job", "{0} of {1} done").format(ended, len(job.steps))
