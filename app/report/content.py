"""A job's report as plain data: everything that another workshop needs to trust or to redo it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace
from itertools import pairwise

from app.analysis.results import Verdict
from app.book.calibrations import ALIGNMENT_DISK
from app.book.drift import change_of, moment_of
from app.book.model import JobRecord, JobSummary
from app.job.certificate import of_another_disk, out_of_date
from app.job.checks.gauge import PLACE
from app.job.checks.prepare import CAUTIONS
from app.job.job import SOURCE_CHANGED
from app.job.model import (
    DESCRIPTIONS,
    INSERTED,
    UNSEEN,
    CheckName,
    Entry,
    Outcome,
    Stage,
    Value,
)
from app.job.origin import Origin
from app.job.outcomes import counting, hangs_on, newest, open_failures
from app.job.plan import NOT_WANTED
from app.job.verdicts import what_next
from app.language import ENGLISH, say, speaking, spoken
from app.numbers import Unit, chance_words
from app.report import figures
from app.report.blocks import (
    TITLES,
    Lines,
    Report,
    ReportBlock,
    Section,
    Signature,
    Table,
    amount,
    check_title,
    clean,
    found_of,
    limit_words,
    plan_words,
    times,
    titled,
    to_the_second,
    verdict_word,
    when,
    wide_enough,
    within,
)
from app.report.budgets import budgets
from app.report.names import record_named, summary_named
from app.report.owner import NAMES, in_plain_words
from app.report.seal import sealed
from app.report.units import record_in, summary_in
from app.report.wording import begun, phrase, record_told, told

COUNTS = {
    Verdict.UNDECIDED: "Too near to their limits to tell: {0}",
    Verdict.SKIPPED: "Not looked at: {0}",
}
"""How many checks came to a verdict that is no answer."""
_MAX_IDENTITY = 120
_MAX_NOTES = 24
_MARK = 0.0175
"""Part of a page's width that a verdict's mark takes."""
_SHORT = 28
"""Characters that fit half a line."""
_TWO_LIMITS = (
    "The radial offset as found is judged by the class's limit for checking; as adjusted and as "
    "left by the one for setting, which is narrower."
)
_LAW = (
    "This report tells what was measured, with the equipment and under the conditions named; it "
    "is no calibration certificate. Uncertainties are expanded: ±U holds about 95 % (JCGM 100; "
    "the largest rectangular part as in JCGM 101; dof are degrees of freedom). A verdict is pass "
    "or fail only where the value keeps clear of its limit by U (JCGM 106), and undecided "
    "otherwise; for the offset without the scale of the disk, which is in the value and in its "
    "limit alike. Volts are as the instrument tells them: its own calibration is not in their U."
)
_SEAL = (
    "This report's file holds the record that it was printed from: “evenlobe verify FILE” tells "
    "whether anything printed was changed since. That proves change, not who wrote it."
)
_LOCAL = "Local rules and licensed practice come before anything that is said here."
_VIRTUAL = "These are the virtual drive's numbers: no drive was measured."


def report_of(
    record: JobRecord,
    history: Sequence[JobSummary] = (),
    unit: Unit = Unit.UM,
    language: str = ENGLISH,
) -> Report:
    """Return the report of a job, open or closed, with its lengths and temperatures in `unit`.

    The drive's history may have this job in it; later ones are left out. What users wrote stays as
    it is in every language.

    Raises
    ------
    OSError
        When the language's catalogue cannot be read.
    """
    with speaking(language):
        past = [summary_in(summary_named(each), unit) for each in history]
        report = _report_of(record_in(record_told(record_named(record)), unit), past)
    return replace(report, sealed=sealed(record, history, unit, language), language=language)


def _report_of(record: JobRecord, history: Sequence[JobSummary]) -> Report:
    outcomes = tuple(counting(record.outcomes).values())
    verdict, lead = _lead(record, outcomes)
    cautions = (*(say(str(each)) for each in CAUTIONS), say(_LOCAL))
    signed = Signature((say("Date"), say("Name"), say("Signature")))
    compared = figures.needles(record, outcomes), _numbers(record)
    sections = (
        Section(say("In plain words"), (in_plain_words(record, outcomes),)),
        Section(say("As found against as left"), compared),
        Section(say("The drive and the job"), (_drive(record), *_said(record))),
        Section(say("Checks"), (_checks(record, outcomes),), on_new_page=True),
        Section(say("One turn of the lobes"), figures.traces(record)),
        Section(say("Hysteresis"), figures.hysteresis(record, outcomes)),
        Section(say("History"), figures.history(record, history)),
        Section(say("Uncertainty"), budgets(outcomes)),
        Section(say("What else was found"), _details(outcomes)),
        Section(say("Every measurement"), _measurements(record)),
        Section(say("Where they were read from"), _origins(record)),
        Section(say("Conditions and equipment"), _conditions(record, outcomes)),
        Section(say("Reservations"), (Lines(tuple(_reservations(record, outcomes))),)),
        Section(say("Cautions for whoever works on it next"), (Lines(cautions),)),
        Section(say("Signed"), (signed,)),
        Section(say("Annex: values of the class"), _class_values(record)),
    )
    return Report(
        title=say("Alignment report"),
        identity=clean(record.drive.identity, _MAX_IDENTITY),
        job=say("job {0}", record.number),
        lead=lead,
        verdict=verdict,
        virtual=record.virtual,
        sections=tuple(section for section in sections if section.blocks),
    )


def _lead(record: JobRecord, outcomes: Sequence[Outcome]) -> tuple[Verdict, str]:
    state = say("The job is closed") if record.closed_at else say("The job is not finished")
    if not outcomes:
        return Verdict.UNDECIDED, say("{0}. No check has been done to its end yet.", state)
    open_ones = open_failures(record.outcomes)
    failed = [each for each in open_ones if each.verdict is Verdict.FAIL]
    unmeasured = [each for each in open_ones if each.verdict is not Verdict.FAIL]
    if open_ones:
        said = [
            f"{words}: {'; '.join(dict.fromkeys(map(_in_lead, those)))}."
            for words, those in (
                (say("Outside the limit"), failed),
                (say("Looked at, but without a result"), unmeasured),
            )
            if those
        ]
        verdict = Verdict.FAIL if failed else Verdict.UNDECIDED
        return verdict, f"{state}. {' '.join(said)}"
    return _without_failure(state, record, outcomes)


def _in_lead(outcome: Outcome) -> str:
    """Return what a check is of, for a reader who knows no word of the trade."""
    words = say(NAMES[outcome.check])
    if outcome.side:
        words = say("{0} on side {1}", words, outcome.side)
    # Of the work the names themselves tell when it was.
    return words if outcome.stage is Stage.WORK else f"{words} ({say(outcome.stage)})"


def _without_failure(
    state: str, record: JobRecord, outcomes: Sequence[Outcome]
) -> tuple[Verdict, str]:
    found = Counter(each.verdict for each in outcomes)
    counts = [say(words, found[verdict]) for verdict, words in COUNTS.items() if found[verdict]]
    rest = f" {'; '.join(counts)}." if counts else ""
    if found[Verdict.UNDECIDED] or not record.closed_at:
        lead = say("{0}. Nothing is known to be outside its limit as it is now.", state)
        return Verdict.UNDECIDED, f"{lead}{rest}"
    if not found[Verdict.PASS]:
        verdict = Verdict.NOTED if found[Verdict.NOTED] else Verdict.SKIPPED
        return verdict, f"{say('{0}. Nothing was compared with a limit.', state)}{rest}"
    lead = say("{0}. All that was compared with a limit is within it as it is now.", state)
    return Verdict.PASS, f"{lead}{rest}"


def _drive(record: JobRecord) -> Table:
    head = record.head
    facts = [
        (say("Class"), clean(head.profile)),
        (say("Measured with"), f"Evenlobe {clean(head.software, 40)}"),
        (say("Opened"), when(head.opened_at)),
        (say("Closed"), when(record.closed_at) if record.closed_at else say("not yet")),
        (say("Nudges and relocks"), str(record.nudges)),
        (say("Measurements kept"), str(sum(each.track is not None for each in record.entries))),
    ]
    return Table((), _two_abreast(facts), (0.2, 0.3, 0.2, 0.3), (0, 2))


def _said(record: JobRecord) -> tuple[ReportBlock, ...]:
    """Return what the user has written of drive and job, where there is something."""
    identity = record.drive.identity
    described = dict(record.head.conditions)
    days = figures.days_of(record)
    aims = dict.fromkeys(each.aim for each in record.outcomes if each.aim)
    rows = [
        (say("Plan"), _plan(record)),
        (say("Aim"), within(say("; then ").join(aims))),
        (say("Left out"), _left_out(record)),
        *((begun(say(name)), clean(described.get(name, ""))) for name, _ in DESCRIPTIONS),
        # A shorter one stands whole in the report's head.
        (say("Identity"), clean(identity) if len(identity) > _MAX_IDENTITY else ""),
        (say("Note"), clean(record.drive.note)),
        (say("Measured on"), ", ".join(days) if len(days) > 1 else ""),
        (say("Reason given at closing"), clean(record.closing_reason)),
    ]
    return _table((), [row for row in rows if row[1]], (0.2, 0.8), (0,))


def _plan(record: JobRecord) -> str:
    """Return what the job was for; a choice of checks is no plan as it stands."""
    words = plan_words(record.head.plan)
    if all(why != NOT_WANTED for _, why in record.head.left_out):
        return words
    return say("a choice of checks, in the order of “{0}”", words)


def _left_out(record: JobRecord) -> str:
    """Return which checks the job did not have, those with one reason together."""
    by_reason: dict[str, list[str]] = {}
    for check, why in record.head.left_out:
        by_reason.setdefault(why, []).append(check_title(check))
    said = (f"{', '.join(names)}: {within(say(why))}" for why, names in by_reason.items())
    return "; ".join(said)


def _table(
    head: tuple[str, ...],
    rows: Iterable[tuple[str | Verdict, ...]],
    widths: tuple[float, ...],
    titles: tuple[int, ...] = (),
    *,
    fine: bool = False,
) -> tuple[Table, ...]:
    """Return a table, or none where it would have no rows."""
    found = tuple(rows)
    return (Table(head, found, widths, titles, fine),) if found else ()


def _two_abreast(rows: Sequence[tuple[str, str]]) -> tuple[tuple[str, ...], ...]:
    """Return an even number of facts, two to a row."""
    return tuple((*a, *b) for a, b in zip(rows[::2], rows[1::2], strict=True))


def _numbers(record: JobRecord) -> Table:
    (_, found), (_, left) = figures.summaries(record)
    arrived = found.hysteresis_um is not None or left.hysteresis_um is not None
    middle = say("Radial offset (middle of both arrivals), + outward")
    offset = middle if arrived else say("Radial offset, + outward")
    width = say("Hysteresis, outside less inside")
    counts = counting(record.outcomes)
    rows = (
        (offset, CheckName.RADIAL, found.offset_um, left.offset_um),
        (width, CheckName.HYSTERESIS, found.hysteresis_um, left.hysteresis_um),
        (say("Spindle speed"), CheckName.SPEED, found.speed_rpm, left.speed_rpm),
    )
    return Table(
        ("", say("As found (± U)"), say("As left (± U)"), say("Change")),
        tuple(
            (
                name,
                _with_provisos(
                    _amount_or(a, say("not measured")),
                    record,
                    counts.get((check, Stage.AS_FOUND, 0)),
                ),
                _with_provisos(
                    _amount_or(b, say("not measured")),
                    record,
                    counts.get((check, Stage.AS_LEFT, 0)),
                ),
                _amount_or(change_of(a, b, record.outcomes, check), "–"),
            )
            for name, check, a, b in rows
        ),
        (0.34, 0.22, 0.22, 0.22),
    )


def _with_provisos(words: str, record: JobRecord, outcome: Outcome | None) -> str:
    """Return an outcome's number, as large beside it what it takes for granted."""
    provisos = [] if outcome is None else hangs_on(outcome, record.entries, told)
    return ", ".join([words, *map(say, provisos)])


def _amount_or(value: Value | None, otherwise: str) -> str:
    return otherwise if value is None else amount(value)


def _checks(record: JobRecord, outcomes: Sequence[Outcome]) -> ReportBlock:
    if not outcomes:
        return Lines((say("No check has ended."),))
    times: dict[tuple[CheckName, Stage, int], int] = {}
    for each in record.outcomes:
        key = (each.check, each.stage, each.side)
        times[key] = times.get(key, 0) + 1
    widths = (0.195, 0.085, 0.165, 0.15, 0.115, 0.29)
    widths = wide_enough(widths, 1, map(say, Stage))
    return Table(
        (
            say("Check"),
            say("Stage"),
            say("Found (± U)"),
            say("Limit"),
            say("Verdict"),
            say("Limit from; remarks"),
        ),
        tuple(
            (
                titled(each),
                say(each.stage),
                _with_provisos(found_of(each), record, each),
                limit_words(each.limit),
                each.verdict,
                _remarks(each, times[each.check, each.stage, each.side]),
            )
            for each in outcomes
        ),
        wide_enough(widths, 4, map(verdict_word, Verdict), beside=_MARK),
    )


def _remarks(outcome: Outcome, times: int) -> str:
    said = []
    if outcome.limit is not None:
        said.append(within(outcome.limit.source, 200) or say("source not told"))
    if outcome.conformity is not None:
        said.append(say("within it with {0}", chance_words(outcome.conformity)))
    if outcome.reason:
        said.append(within(outcome.reason))
    elif outcome.verdict is Verdict.SKIPPED:
        said.append(say("no reason was given"))
    if times > 1:
        if outcome.stage is Stage.AS_FOUND:
            said.append(say("done {0} times, the first with a value counts", times))
        else:
            said.append(say("done {0} times, the last counts", times))
    return "; ".join(said)


def _details(outcomes: Sequence[Outcome]) -> tuple[ReportBlock, ...]:
    rows = (
        (titled(each), say(each.stage), "; ".join(map(_named, each.details)))
        for each in outcomes
        if each.details and each.check is not CheckName.CARE
    )
    head = (say("Check"), say("Stage"), say("Found (± U)"))
    widths = wide_enough((0.19, 0.075, 0.735), 1, map(say, Stage), fine=True)
    return _table(head, rows, widths, fine=True)


def _named(value: Value) -> str:
    # What is so or not so is told by its name alone.
    name = phrase(value.name)
    return name if " is " in value.name else f"{name} {amount(value)}"


def _conditions(record: JobRecord, outcomes: Sequence[Outcome]) -> tuple[ReportBlock, ...]:
    described = {name for name, _ in DESCRIPTIONS}
    rows = [
        (clean(name, 80), clean(said))
        for name, said in record.head.conditions
        if name not in described
    ]
    for each in outcomes:
        if each.check is CheckName.CARE:
            rows += [(begun(phrase(value.name)), amount(value)) for value in each.details]
    if record.insertions:
        rows.append((begun(say(INSERTED)), times(record.insertions)))
    rows += _seen(record, {name.casefold() for name, _ in rows})
    # Short facts two to a line, and long ones below them.
    short = [row for row in rows if max(map(len, row)) <= _SHORT]
    long = [row for row in rows if max(map(len, row)) > _SHORT]
    if len(short) % 2:
        short.append(("", ""))
    return (
        *_table((), _two_abreast(short), (0.28, 0.22, 0.28, 0.22), (0, 2)),
        *_table((), long, (0.28, 0.72), (0,)),
    )


def _seen(record: JobRecord, said_already: Collection[str]) -> list[tuple[str, str]]:
    """Return what was seen or entered; what was so in several stages, with its stage."""
    seen = [
        (begun(phrase(clean(entry.label, 80))), entry)
        for entry in record.entries
        # A place stands at each measurement that was taken there.
        if entry.track is None and entry.label not in (SOURCE_CHANGED, PLACE)
    ]
    stages: dict[str, set[Stage]] = {}
    for name, entry in seen:
        stages.setdefault(name, set()).add(entry.stage)
    return [
        (f"{name}, {say(entry.stage)}" if len(stages[name]) > 1 else name, _observed(entry))
        for name, entry in seen
        if name.casefold() not in said_already
    ]


def _observed(entry: Entry) -> str:
    return "; ".join([*map(amount, entry.values), *map(clean, entry.notes)])


def _origins_of(record: JobRecord) -> dict[Origin, int]:
    """Return from where the measurements were read, numbered from 1 in their order."""
    found: dict[Origin, int] = {}
    for entry in record.entries:
        if entry.track is not None:
            found.setdefault(entry.origin, len(found) + 1)
    return found


def _origins(record: JobRecord) -> tuple[ReportBlock, ...]:
    rows = [
        (
            str(number),
            clean(origin.source, 400) + (f" ({say('virtual drive')})" if origin.virtual else ""),
            clean(origin.instrument, 200) or say("says nothing of itself"),
            "; ".join(f"{clean(name, 60)} {clean(said, 200)}" for name, said in origin.settings)
            or "–",
        )
        for origin, number in _origins_of(record).items()
    ]
    changed = [
        f"{when(entry.taken_at)}: {within(note)}"
        for entry in record.entries
        if entry.label == SOURCE_CHANGED
        for note in entry.notes
    ]
    lines = tuple(say("The source was changed, {0}", each) for each in changed)
    head = (say("No."), say("Source"), say("Instrument"), say("Settings"))
    table = _table(head, rows, (0.06, 0.34, 0.25, 0.35), fine=True)
    return (*table, Lines(lines)) if lines else table


_MOST_VALUES = 4


def _measurements(record: JobRecord) -> tuple[ReportBlock, ...]:
    numbers = _origins_of(record)
    rows = (
        (
            to_the_second(entry.taken_at),
            f"{say(TITLES[entry.check])}, {say(entry.stage)}",
            say(
                "{0}, track {1}, side {2}", phrase(clean(entry.label, 60)), entry.track, entry.side
            ),
            "; ".join(map(_named, entry.values[:_MOST_VALUES])) or say("no value"),
            str(numbers[entry.origin]),
        )
        for entry in record.entries
        if entry.track is not None
    )
    head = (say("Read at"), say("Check"), say("Which"), say("Found (± U, k = 2)"), say("From no."))
    return _table(head, rows, (0.17, 0.2, 0.21, 0.35, 0.07), fine=True)


def _class_values(record: JobRecord) -> tuple[ReportBlock, ...]:
    rows = (
        (clean(key, 80), clean(say(value), 120), clean(say(source), 200))
        for key, value, source in record.head.profile_values
    )
    head = (say("Value"), "", say("Where it comes from"))
    return _table(head, rows, (0.3, 0.2, 0.5), fine=True)


def _reservations(record: JobRecord, outcomes: Sequence[Outcome]) -> list[str]:
    said = [say(_VIRTUAL)] if record.virtual else []
    for each in outcomes:
        if each.verdict in (Verdict.UNDECIDED, Verdict.SKIPPED):
            said.append(f"{_which(each)}, {verdict_word(each.verdict)}: {_why(each)}")
    unseen = (each for each in newest(record.outcomes) if each.detail(UNSEEN) is not None)
    for each in dict.fromkeys((*open_failures(record.outcomes), *unseen)):
        remedy = what_next(each)
        if remedy is not None:
            said.append(say("{0}, to do: {1}", _which(each), told(str(remedy))))
    said += _two_limits(outcomes)
    said += _of_certificate(record)
    said += _notes(record)
    if moment_of(record.head.opened_at) is None:
        said.append(say("The time at which the job was opened cannot be read."))
    if _clock_went_back(record):
        said.append(
            say(
                "The computer's clock went back during the job: its order is that of the "
                "measurements, and its times are not to be relied on."
            )
        )
    return [*said, say(_LAW), say(_SEAL)]


def _of_certificate(record: JobRecord) -> list[str]:
    """Return what is to be held against the certificate of the record's alignment disk."""
    stated = {key: value for key, value, _ in record.head.profile_values}
    opened_at = moment_of(record.head.opened_at)
    found = [
        of_another_disk(stated, dict(record.head.conditions).get(ALIGNMENT_DISK, "")),
        None if opened_at is None else out_of_date(stated, opened_at.date()),
    ]
    return [say(each.text, *each.values) for each in found if each is not None]


def _which(outcome: Outcome) -> str:
    return f"{titled(outcome)}, {say(outcome.stage)}"


def _why(outcome: Outcome) -> str:
    """Return why a check is undecided or was left out."""
    words = within(outcome.reason)
    adjusted = outcome.check is CheckName.ADJUST and outcome.value is not None
    if words and not adjusted:
        return words
    # What adjusting says may be no more than which way round is outward.
    return "; ".join(filter(None, (_why_open(outcome), words)))


def _why_open(outcome: Outcome) -> str:
    """Return why a check has no verdict, where it gives no reason of its own."""
    judged = outcome.limit is not None and outcome.value is not None
    if outcome.verdict is Verdict.UNDECIDED and judged:
        return say("the limit lies within the uncertainty")
    return say("no reason was given")


def _two_limits(outcomes: Sequence[Outcome]) -> list[str]:
    """Return why an offset is judged by another limit as left than as found, where it is."""
    limits = {
        each.stage: (each.limit.low, each.limit.high)
        for each in outcomes
        if each.check is CheckName.RADIAL and each.limit is not None
    }
    found, left = limits.get(Stage.AS_FOUND), limits.get(Stage.AS_LEFT)
    return [say(_TWO_LIMITS)] if found and left and found != left else []


def _clock_went_back(record: JobRecord) -> bool:
    told = (moment_of(each.taken_at) for each in record.entries)
    moments = [moment for moment in told if moment is not None]
    return any(after < before for before, after in pairwise(moments))


def _short(check: CheckName) -> str:
    # By its short name English commands know it; it has none in another language.
    return check if spoken() == ENGLISH else say(TITLES[check])


def _notes(record: JobRecord) -> list[str]:
    """Return each note of the measurements once, and where it was made."""
    said: list[str] = []
    notes: dict[str, list[str]] = {}
    for entry in record.entries:
        if entry.track is not None:
            for note in entry.notes:
                label = within(phrase(entry.label), 60)
                where = f"{_short(entry.check)}, {say(entry.stage)}, {label}"
                notes.setdefault(within(note), []).append(where)
    for note, places in list(notes.items())[:_MAX_NOTES]:
        where = places[0]
        if len(places) > 1:
            where = say("{0} and {1} more", where, len(places) - 1)
        said.append(f"{note} ({where})")
    if len(notes) > _MAX_NOTES:
        said.append(say("{0} further notes are in the book.", len(notes) - _MAX_NOTES))
    return said
