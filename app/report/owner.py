"""The report's first page, for the owner of a drive: what was wrong, what was done, how it is now.

No word of the trade is taken for granted here; the record for an auditor stands behind it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from app.analysis.results import Verdict
from app.book.model import JobRecord
from app.job.checks.speed import TRIMMED
from app.job.model import APART, ROOM, Aim, CheckName, Outcome, Stage, Value
from app.job.outcomes import newest, open_failures
from app.language import say
from app.report.blocks import Table, amount, limit_words, times, within
from app.report.wording import begun, told

NAMES = {
    CheckName.CARE: "whether the drive respects write protection",
    CheckName.MECHANICS: "the state of the moving parts, as an eye sees it",
    CheckName.DRIFT: "whether the head stays in place as the drive runs",
    CheckName.SPEED: "the speed at which the disk turns",
    CheckName.SEATING: "how evenly the disk seats",
    CheckName.RADIAL: "the head's place over the track",
    CheckName.TRACKS: "the head's place over every track that the disk shows",
    CheckName.SEEKS: "how alike the head comes to rest from either end",
    CheckName.PUSH: "the play of the head's arm",
    CheckName.HYSTERESIS: "how alike the head comes to rest from either side",
    CheckName.ADJUST: "the head's place after adjusting",
    CheckName.LOCK: "the head's place after tightening",
    CheckName.AZIMUTH: "the angle of the head",
    CheckName.INDEX: "the timing of the index",
    CheckName.OUTPUT: "the strength of the head's signal",
    CheckName.TRACK_ZERO: "the sensor of track zero",
    CheckName.CENTRE: "the head against an ordinary track",
    CheckName.SCALE: "the scale of the alignment disk",
    CheckName.ZERO: "the zero of the alignment disk",
    CheckName.WORKING_DISK: "the zero of a working disk",
}
_SURE = (
    "Each number stands with its ±: the true value lies within it in about 95 of 100 cases. Within "
    "or outside its limit is said only where the number keeps clear of the limit by that much; "
    "nearer than that it is called undecided, which is neither good nor bad."
)


def in_plain_words(record: JobRecord, outcomes: Sequence[Outcome]) -> Table:
    """Return the four answers that the owner of a drive wants.

    Parameters
    ----------
    record : JobRecord
        The job.
    outcomes : sequence of Outcome
        Those that count.
    """
    rows = (
        (say("What was wrong"), _wrong(outcomes)),
        (say("What was done"), _done(record, outcomes)),
        (say("How it is now"), _now(record, outcomes)),
        (say("How sure that is"), _sure(record, outcomes)),
    )
    return Table((), rows, (0.2, 0.8), (0,), large=True)


def _wrong(outcomes: Sequence[Outcome]) -> str:
    found = [each for each in outcomes if each.stage is Stage.AS_FOUND]
    failed = [each for each in found if each.verdict is Verdict.FAIL]
    if failed:
        return say("As it came, this was outside its limit: {0}.", _listed(failed))
    judged = [each for each in found if each.verdict in (Verdict.PASS, Verdict.UNDECIDED)]
    if not judged:
        return say("Nothing was judged before the work began.")
    undecided = [each for each in judged if each.verdict is Verdict.UNDECIDED]
    if undecided:
        return say(
            "As it came, nothing was outside its limit for certain; open: {0}.", _listed(undecided)
        )
    return say("As it came, everything that was judged was within its limits.")


def _done(record: JobRecord, outcomes: Sequence[Outcome]) -> str:
    said = []
    if record.nudges:
        said.append(say("the head was moved {0}", times(record.nudges)))
    if any(
        each.check is CheckName.LOCK and each.verdict is not Verdict.SKIPPED for each in outcomes
    ):
        said.append(
            say("the screws of the head were tightened, and where that left it was measured")
        )
    of_speed = [each for each in record.entries if each.check is CheckName.SPEED]
    if any(each.label.startswith(TRIMMED) for each in of_speed):
        last = [each.verdict for each in outcomes if each.check is CheckName.SPEED][-1:]
        set_right = last == [Verdict.PASS]
        said.append(say("the speed was set") if set_right else say("the speed was trimmed"))
    if not said and all(each.track is None for each in record.entries):
        return say("Nothing was measured, and nothing was adjusted.")
    if not said:
        return say("Nothing was adjusted: the drive was measured, and left as it was.")
    return f"{begun('; '.join(said))}."


def _now(record: JobRecord, outcomes: Sequence[Outcome]) -> str:
    said = []
    open_ones = open_failures(record.outcomes)
    if open_ones:
        said.append(say("Not in order: {0}", _listed(open_ones)))
    said += _heads_apart(record)
    passed = _called(outcomes, Verdict.PASS)
    if passed:
        said.append(say("Within its limits: {0}", ", ".join(passed)))
    offset = record.as_left.offset_um or record.as_found.offset_um
    if offset is not None and record.as_left.offset_um is not None:
        said.append(say("The head stands {0} from the middle of the track", amount(offset)))
        aims = [each.aim for each in record.outcomes if each.aim]
        if aims and aims[-1] != told(str(Aim())):
            said.append(say("It was set on purpose to another place: {0}", within(aims[-1])))
    for each in outcomes:
        if each.check is CheckName.CENTRE and each.value is not None:
            found = amount(Value("", each.value, each.covering_u, each.unit))
            said.append(
                say(
                    "The head stands {0} off the middle of a track that another drive wrote; how "
                    "well that one was aligned is not known",
                    found,
                )
            )
    if not record.closed_at:
        said.append(say("The work is not finished"))
    return ". ".join(said) + "." if said else say("Nothing was judged.")


def _heads_apart(record: JobRecord) -> list[str]:
    """Return that the two heads cannot both be brought in, where the newest look at them says so.

    Both ride on one carriage.
    """
    for each in newest(record.outcomes):
        apart, room = each.detail(APART), each.detail(ROOM)
        if apart is not None and room is not None and room.value < 0.0:
            size = amount(replace(apart, value=abs(apart.value)))
            return [
                say(
                    "The two heads stand {0} apart: no setting of the drive brings both within "
                    "their limit, so the mount of one has to be seen to",
                    size,
                )
            ]
    return []


def _sure(record: JobRecord, outcomes: Sequence[Outcome]) -> str:
    said = [say(_SURE)]
    skipped = {each.check for each in outcomes if each.verdict is Verdict.SKIPPED}
    not_seen = skipped | {check for check in CheckName if check in dict(record.head.left_out)}
    for words, those in (
        (say("Undecided in this job"), _called(outcomes, Verdict.UNDECIDED)),
        (
            say("Not looked at in this job"),
            [say(NAMES[each]) for each in NAMES if each in not_seen],
        ),
    ):
        if those:
            said.append(f"{words}: {', '.join(those)}.")
    return " ".join(said)


def _called(outcomes: Iterable[Outcome], verdict: Verdict) -> list[str]:
    """Return what has come to a verdict last, each side by itself where they differ."""
    last = newest(outcomes)
    come_to: dict[CheckName, set[Verdict]] = {}
    for each in last:
        come_to.setdefault(each.check, set()).add(each.verdict)
    names = []
    for each in last:
        if each.verdict is verdict:
            name = say(NAMES[each.check])
            differ = len(come_to[each.check]) > 1
            names.append(say("{0} on side {1}", name, each.side) if differ else name)
    return list(dict.fromkeys(names))


def _listed(outcomes: Iterable[Outcome]) -> str:
    return "; ".join(dict.fromkeys(map(_named, outcomes)))


def _named(outcome: Outcome) -> str:
    words = say(NAMES[outcome.check])
    if outcome.side:
        words = say("{0} on side {1}", words, outcome.side)
    if outcome.value is None:
        return f"{words} ({within(outcome.reason, 200)})" if outcome.reason else words
    found = amount(Value("", outcome.value, outcome.covering_u, outcome.unit))
    if outcome.limit is not None:
        found = say("{0}, allowed {1}", found, limit_words(outcome.limit))
    return f"{words} ({found})"
