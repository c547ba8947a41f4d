"""A job's report as plain data: everything that another workshop needs to trust or to redo it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise

from app.analysis.results import Verdict
from app.book.drift import change_of, moment_of
from app.book.model import JobRecord, JobSummary
from app.job.checks.gauge import PLACE
from app.job.checks.prepare import CAUTIONS
from app.job.job import SOURCE_CHANGED
from app.job.model import DESCRIPTIONS, INSERTED, CheckName, Entry, Outcome, Stage, Value
from app.job.origin import Origin
from app.job.outcomes import counting, open_failures
from app.job.verdicts import what_next
from app.numbers import Unit, chance_words
from app.report import figures
from app.report.blocks import (
    TITLES,
    VERDICTS,
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
    titled,
    to_the_second,
    when,
    within,
)
from app.report.budgets import budgets
from app.report.owner import in_plain_words
from app.report.seal import sealed
from app.report.units import record_in, summary_in

_MAX_IDENTITY = 120
_MAX_NOTES = 24
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
    "limit alike."
)
_SEAL = (
    "This report's file holds the record that it was printed from: “evenlobe verify FILE” tells "
    "whether anything printed was changed since. That proves change, not who wrote it."
)
_LOCAL = "Local rules and licensed practice come before anything that is said here."
_VIRTUAL = "These are the virtual drive's numbers: no drive was measured."


def report_of(
    record: JobRecord, history: Sequence[JobSummary] = (), unit: Unit = Unit.UM
) -> Report:
    """Return the report of a job, open or closed, with its lengths and temperatures in `unit`.

    The drive's history may have this job in it; later ones are left out.
    """
    kept, kept_history = record, history
    record, history = record_in(record, unit), [summary_in(each, unit) for each in history]
    outcomes = tuple(counting(record.outcomes).values())
    verdict, lead = _lead(record, outcomes)
    sections = (
        Section("In plain words", (in_plain_words(record, outcomes),)),
        Section("As found against as left", (figures.needles(record, outcomes), _numbers(record))),
        Section("The drive and the job", (_drive(record), *_said(record))),
        Section("Checks", (_checks(record, outcomes),), on_new_page=True),
        Section("One turn of the lobes", figures.traces(record)),
        Section("Hysteresis", figures.hysteresis(record, outcomes)),
        Section("History", figures.history(record, history)),
        Section("Uncertainty", budgets(outcomes)),
        Section("What else was found", _details(outcomes)),
        Section("Every measurement", _measurements(record)),
        Section("Where they were read from", _origins(record)),
        Section("Conditions and equipment", _conditions(record, outcomes)),
        Section("Reservations", (Lines(tuple(_reservations(record, outcomes))),)),
        Section("Cautions for whoever works on it next", (Lines((*map(str, CAUTIONS), _LOCAL)),)),
        Section("Signed", (Signature(("Date", "Name", "Signature")),)),
        Section("Annex: values of the class", _class_values(record)),
    )
    return Report(
        title="Alignment report",
        identity=clean(record.drive.identity, _MAX_IDENTITY),
        job=f"job {record.number}",
        lead=lead,
        verdict=verdict,
        virtual=record.virtual,
        sections=tuple(section for section in sections if section.blocks),
        sealed=sealed(kept, kept_history, unit),
    )


def _lead(record: JobRecord, outcomes: Sequence[Outcome]) -> tuple[Verdict, str]:
    state = "Closed" if record.closed_at else "Still open"
    if not outcomes:
        return Verdict.UNDECIDED, f"{state}; no check has ended."
    open_ones = open_failures(record.outcomes)
    failed = [each for each in open_ones if each.verdict is Verdict.FAIL]
    unmeasured = [each for each in open_ones if each.verdict is not Verdict.FAIL]
    if open_ones:
        said = [
            f"{words}: {', '.join(f'{titled(each)} ({each.stage})' for each in those)}"
            for words, those in (("open failures", failed), ("nothing found", unmeasured))
            if those
        ]
        verdict = Verdict.FAIL if failed else Verdict.UNDECIDED
        return verdict, f"{state} with {'; '.join(said)}."
    return _without_failure(state, record, outcomes)


def _without_failure(
    state: str, record: JobRecord, outcomes: Sequence[Outcome]
) -> tuple[Verdict, str]:
    undecided = sum(each.verdict is Verdict.UNDECIDED for each in outcomes)
    skipped = sum(each.verdict is Verdict.SKIPPED for each in outcomes)
    counts = [f"{n} {word}" for n, word in ((undecided, "undecided"), (skipped, "skipped")) if n]
    rest = f"; {' and '.join(counts)}" if counts else ""
    if undecided or not record.closed_at:
        return Verdict.UNDECIDED, f"{state} without an open failure{rest}."
    return Verdict.PASS, f"{state}: no check was left failed{rest}."


def _drive(record: JobRecord) -> Table:
    head = record.head
    facts = [
        ("Class", clean(head.profile)),
        ("Measured with", f"Evenlobe {clean(head.software, 40)}"),
        ("Opened", when(head.opened_at)),
        ("Closed", when(record.closed_at) if record.closed_at else "not yet"),
        ("Nudges of the stepper", str(record.nudges)),
        ("Measurements kept", str(len(record.entries))),
    ]
    return Table((), _two_abreast(facts), (0.2, 0.3, 0.2, 0.3), (0, 2))


def _said(record: JobRecord) -> tuple[ReportBlock, ...]:
    """Return what the user has written of drive and job, where there is something."""
    identity = record.drive.identity
    told = dict(record.head.conditions)
    aims = dict.fromkeys(each.aim for each in record.outcomes if each.aim)
    rows = [
        ("Plan", plan_words(record.head.plan)),
        ("Aim", within("; then ".join(aims))),
        ("Left out by the plan", _left_out(record)),
        *((name.capitalize(), clean(told.get(name, ""))) for name, _ in DESCRIPTIONS),
        # A shorter one stands whole in the report's head.
        ("Identity", clean(identity) if len(identity) > _MAX_IDENTITY else ""),
        ("Note", clean(record.drive.note)),
        ("Measured on", ", ".join(days) if len(days := figures.days_of(record)) > 1 else ""),
        ("Reason given at closing", clean(record.closing_reason)),
    ]
    return _table((), [row for row in rows if row[1]], (0.2, 0.8), (0,))


def _left_out(record: JobRecord) -> str:
    """Return which checks the plan did not have, those with one reason together."""
    by_reason: dict[str, list[str]] = {}
    for check, why in record.head.left_out:
        by_reason.setdefault(why, []).append(check_title(check))
    said = (f"{', '.join(names)}: {within(why)}" for why, names in by_reason.items())
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
    of = " (middle of both arrivals)" if arrived else ""
    width = "Hysteresis, outside less inside"
    rows = (
        (f"Radial offset{of}, + outward", CheckName.RADIAL, found.offset_um, left.offset_um),
        (width, CheckName.HYSTERESIS, found.hysteresis_um, left.hysteresis_um),
        ("Spindle speed", CheckName.SPEED, found.speed_rpm, left.speed_rpm),
    )
    return Table(
        ("", "As found (± U)", "As left (± U)", "Change"),
        tuple(
            (
                name,
                _amount_or(a, "not measured"),
                _amount_or(b, "not measured"),
                _amount_or(change_of(a, b, record.outcomes, check), "–"),
            )
            for name, check, a, b in rows
        ),
        (0.34, 0.22, 0.22, 0.22),
    )


def _amount_or(value: Value | None, otherwise: str) -> str:
    return otherwise if value is None else amount(value)


def _checks(record: JobRecord, outcomes: Sequence[Outcome]) -> ReportBlock:
    if not outcomes:
        return Lines(("No check has ended.",))
    times: dict[tuple[CheckName, Stage, int], int] = {}
    for each in record.outcomes:
        key = (each.check, each.stage, each.side)
        times[key] = times.get(key, 0) + 1
    return Table(
        ("Check", "Stage", "Found (± U, k = 2)", "Limit", "Verdict", "Limit from; remarks"),
        tuple(
            (
                titled(each),
                each.stage,
                found_of(each),
                limit_words(each.limit),
                each.verdict,
                _remarks(each, times[each.check, each.stage, each.side]),
            )
            for each in outcomes
        ),
        (0.195, 0.085, 0.165, 0.15, 0.115, 0.29),
    )


def _remarks(outcome: Outcome, times: int) -> str:
    said = []
    if outcome.limit is not None:
        said.append(within(outcome.limit.source, 200) or "source not told")
    if outcome.conformity is not None:
        said.append(f"within it with {chance_words(outcome.conformity)}")
    if outcome.reason:
        said.append(within(outcome.reason))
    elif outcome.verdict is Verdict.SKIPPED:
        said.append("no reason was given")
    if times > 1:
        one = "first with a value" if outcome.stage is Stage.AS_FOUND else "last"
        said.append(f"done {times} times, the {one} counts")
    return "; ".join(said)


def _details(outcomes: Sequence[Outcome]) -> tuple[ReportBlock, ...]:
    rows = (
        (titled(each), each.stage, "; ".join(map(_named, each.details)))
        for each in outcomes
        if each.details and each.check is not CheckName.CARE
    )
    head = ("Check", "Stage", "Found (± U, k = 2)")
    return _table(head, rows, (0.19, 0.075, 0.735), fine=True)


def _named(value: Value) -> str:
    # What is so or not so is told by its name alone.
    return value.name if " is " in value.name else f"{value.name} {amount(value)}"


def _conditions(record: JobRecord, outcomes: Sequence[Outcome]) -> tuple[ReportBlock, ...]:
    described = {name for name, _ in DESCRIPTIONS}
    rows = [
        (clean(name, 80), clean(said))
        for name, said in record.head.conditions
        if name not in described
    ]
    for each in outcomes:
        if each.check is CheckName.CARE:
            rows += [(value.name.capitalize(), amount(value)) for value in each.details]
    if record.insertions:
        times = "once" if record.insertions == 1 else f"{record.insertions} times"
        rows.append((INSERTED.capitalize(), times))
    told = {name.casefold() for name, _ in rows}
    rows += [
        (clean(entry.label, 80).capitalize(), _observed(entry))
        for entry in record.entries
        if entry.track is None
        and entry.label.casefold() not in told
        # A place stands at each measurement that was taken there.
        and entry.label not in (SOURCE_CHANGED, PLACE)
    ]
    # Short facts two to a line, and long ones below them.
    short = [row for row in rows if max(map(len, row)) <= _SHORT]
    long = [row for row in rows if max(map(len, row)) > _SHORT]
    if len(short) % 2:
        short.append(("", ""))
    return (
        *_table((), _two_abreast(short), (0.28, 0.22, 0.28, 0.22), (0, 2)),
        *_table((), long, (0.28, 0.72), (0,)),
    )


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
            clean(origin.source, 400) + (" (virtual drive)" if origin.virtual else ""),
            clean(origin.instrument, 200) or "says nothing of itself",
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
    told = (Lines(tuple(f"The source was changed, {each}" for each in changed)),) if changed else ()
    head = ("No.", "Source", "Instrument", "Settings")
    return (*_table(head, rows, (0.06, 0.34, 0.25, 0.35), fine=True), *told)


_MOST_VALUES = 4


def _measurements(record: JobRecord) -> tuple[ReportBlock, ...]:
    numbers = _origins_of(record)
    rows = (
        (
            to_the_second(entry.taken_at),
            f"{TITLES[entry.check]}, {entry.stage}",
            f"{clean(entry.label, 60)}, track {entry.track}, side {entry.side}",
            "; ".join(map(_named, entry.values[:_MOST_VALUES])) or "no value",
            str(numbers[entry.origin]),
        )
        for entry in record.entries
        if entry.track is not None
    )
    head = ("Read at", "Check", "Which", "Found (± U, k = 2)", "From no.")
    return _table(head, rows, (0.17, 0.2, 0.21, 0.35, 0.07), fine=True)


def _class_values(record: JobRecord) -> tuple[ReportBlock, ...]:
    rows = (
        (clean(key, 80), clean(value, 120), clean(source, 200))
        for key, value, source in record.head.profile_values
    )
    return _table(("Value", "", "Where it comes from"), rows, (0.3, 0.2, 0.5), fine=True)


def _reservations(record: JobRecord, outcomes: Sequence[Outcome]) -> list[str]:
    said = [_VIRTUAL] if record.virtual else []
    for each in outcomes:
        if each.verdict in (Verdict.UNDECIDED, Verdict.SKIPPED):
            why = within(each.reason) or _why_open(each)
            said.append(f"{titled(each)}, {each.stage}, {VERDICTS[each.verdict]}: {why}")
    for each in open_failures(record.outcomes):
        remedy = what_next(each)
        if remedy is not None:
            said.append(f"{titled(each)}, {each.stage}, to do: {remedy}")
    said += _two_limits(outcomes)
    said += _notes(record)
    if moment_of(record.head.opened_at) is None:
        said.append("The time at which the job was opened cannot be read.")
    if _clock_went_back(record):
        said.append(
            "The computer's clock went back during the job: its order is that of the measurements, "
            "and its times are not to be relied on."
        )
    return [*said, _LAW, _SEAL]


def _why_open(outcome: Outcome) -> str:
    """Return why a check has no verdict, where it gives no reason of its own."""
    judged = outcome.limit is not None and outcome.value is not None
    if outcome.verdict is Verdict.UNDECIDED and judged:
        return "the limit lies within the uncertainty"
    return "no reason was given"


def _two_limits(outcomes: Sequence[Outcome]) -> list[str]:
    """Return why an offset is judged by another limit as left than as found, where it is."""
    limits = {
        each.stage: (each.limit.low, each.limit.high)
        for each in outcomes
        if each.check is CheckName.RADIAL and each.limit is not None
    }
    found, left = limits.get(Stage.AS_FOUND), limits.get(Stage.AS_LEFT)
    return [_TWO_LIMITS] if found and left and found != left else []


def _clock_went_back(record: JobRecord) -> bool:
    told = (moment_of(each.taken_at) for each in record.entries)
    moments = [moment for moment in told if moment is not None]
    return any(after < before for before, after in pairwise(moments))


def _notes(record: JobRecord) -> list[str]:
    """Return each note of the measurements once, and where it was made."""
    said: list[str] = []
    notes: dict[str, list[str]] = {}
    for entry in record.entries:
        if entry.track is not None:
            for note in entry.notes:
                where = f"{entry.check}, {entry.stage}, {within(entry.label, 60)}"
                notes.setdefault(within(note), []).append(where)
    for note, places in list(notes.items())[:_MAX_NOTES]:
        more = f" and {len(places) - 1} more" if len(places) > 1 else ""
        said.append(f"{note} ({places[0]}{more})")
    if len(notes) > _MAX_NOTES:
        said.append(f"{len(notes) - _MAX_NOTES} further notes are in the book.")
    return said
