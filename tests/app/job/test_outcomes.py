"""Which of repeated outcomes counts: book, report, history and window are of one mind."""

from __future__ import annotations

import pytest

from app.analysis.results import Verdict
from app.book.store import Book
from app.book.writer import JobWriter
from app.job.job import Job
from app.job.model import CheckName, Outcome, Stage
from app.job.outcomes import counting, open_failures, summary_of
from app.job.plan import Planned
from app.report.blocks import Table, amount
from app.report.content import report_of
from tests.app.book.jobs import DRIVE, HEAD, now
from tests.app.job.hands import PROFILE, ScriptedDrive, carry_out

FOUND, LEFT = Stage.AS_FOUND, Stage.AS_LEFT
PLAN = [Planned(CheckName.SPEED, FOUND), Planned(CheckName.SPEED, LEFT)]


def speed(stage, value):
    verdict = Verdict.UNDECIDED if value is None else Verdict.PASS
    u = None if value is None else 0.1
    return Outcome(CheckName.SPEED, stage, verdict, value=value, u=u, unit="rpm")


@pytest.mark.parametrize(
    ("stage", "values", "counts"),
    [
        (FOUND, [301.0, 302.0], 301.0),  # a drive is found only once
        (FOUND, [None, 302.0, 303.0], 302.0),  # what has no number is nothing found
        (FOUND, [301.0, None], 301.0),
        (LEFT, [301.0, 302.0], 302.0),
        (LEFT, [301.0, None], None),  # one of before says nothing of the drive as it is now
        (Stage.WORK, [301.0, 302.0], 302.0),
    ],
)
def test_as_found_the_first_number_counts_and_later_the_newest(stage, values, counts):
    outcomes = [speed(stage, value) for value in values]
    assert counting(outcomes)[CheckName.SPEED, stage, 0].value == counts
    told = summary_of(outcomes, stage).speed_rpm
    assert (None if told is None else told.value) == counts


@pytest.mark.parametrize(
    ("found", "left"), [([None, 291.0, 295.0], [299.0, 300.0]), ([291.0, 295.0], [300.0, None])]
)
def test_all_who_tell_of_a_job_with_repeats_tell_the_same(tmp_path, found, left):
    path = tmp_path / "book.sqlite3"
    kept = JobWriter(DRIVE, HEAD, now, path=path)
    job = Job(PROFILE, True, plan=PLAN, now=now, log=kept, source="sim:")
    work_through(job, found, left)
    job.close("the belt is on order")
    assert kept.finish() == ""
    with Book(path) as book:
        record, history = book.job(kept.number), book.history(DRIVE.identity)
    counted = next(value for value in found if value is not None), left[-1]
    # The window shows what the job itself tells.
    for tells in (job, record, history[-1]):
        numbers = tells.as_found.speed_rpm, tells.as_left.speed_rpm
        assert tuple(None if each is None else pytest.approx(each.value) for each in numbers) == (
            counted
        )
    words = [
        "not measured" if each is None else amount(each)
        for each in (job.as_found.speed_rpm, job.as_left.speed_rpm)
    ]
    sections = {section.title: section for section in report_of(record, history).sections}
    (table,) = (
        each for each in sections["As found against as left"].blocks if isinstance(each, Table)
    )
    (row,) = (row for row in table.rows if row[0] == "Spindle speed")
    assert list(row[1:3]) == words


def work_through(job, found, left):
    """Have the speed measured as often as there are values in each stage, None where it fails."""
    drive = ScriptedDrive()
    for place, values in ((0, found), (-1, left)):
        for number, value in enumerate(values):
            drive.silent, drive.speed_rpm = value is None, value or 300.0
            if number:
                job.repeat(job.steps.index(job.steps[place]))
            at = job.at
            while job.ask is not None and job.at == at:
                carry_out(job, drive, asks=1)


@pytest.mark.parametrize(
    ("check", "stage", "verdict", "value", "is_open"),
    [
        (CheckName.SPEED, FOUND, Verdict.PASS, 300.0, False),
        (CheckName.SPEED, FOUND, Verdict.FAIL, 290.0, True),
        (CheckName.SPEED, FOUND, Verdict.UNDECIDED, 300.0, False),
        (CheckName.SPEED, FOUND, Verdict.UNDECIDED, None, True),
        # Of a head that is far off they find nothing, and are not done again.
        (CheckName.SEATING, FOUND, Verdict.UNDECIDED, None, False),
        (CheckName.PUSH, FOUND, Verdict.UNDECIDED, None, False),
        (CheckName.SEATING, FOUND, Verdict.FAIL, 9.0, True),
        (CheckName.SEATING, LEFT, Verdict.UNDECIDED, None, True),
    ],
)
def test_what_failed_or_found_nothing_is_open(check, stage, verdict, value, is_open):
    outcome = Outcome(check, stage, verdict, value=value)
    assert open_failures([outcome]) == ((outcome,) if is_open else ())
