"""What a drive does by itself between jobs, whatever was adjusted in them."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from app.book.drift import drifts_of
from app.book.model import JobSummary
from app.job.model import Summary, Value

FIRST = datetime.fromisoformat("2026-01-01T10:00:00+01:00")


def job(number, found_um, left_um):
    at = (FIRST + timedelta(days=73 * number)).isoformat()
    found, left = (
        Summary(offset_um=None if um is None else Value("", um, 0.5, "µm"))
        for um in (found_um, left_um)
    )
    return JobSummary(number, at, at, True, found, left, 2)


def test_adjustments_are_taken_out():
    """12 µm a year, brought back to 0 in each job."""
    past = [job(0, 30.0, 0.0), *(job(number, 12.0 * 73 / 365, 0.0) for number in range(1, 6))]
    offset, hysteresis, speed = drifts_of(past)
    assert offset.finding.rate_per_year.value == pytest.approx(12.0, abs=0.05)
    assert offset.finding.drifts
    assert [value.value for value in offset.values[:2]] == pytest.approx([30.0, 32.4])
    assert hysteresis.finding.rate_per_year is None
    assert speed.values == ()


def test_a_job_that_was_left_as_found_adjusts_nothing():
    past = [job(0, 5.0, None), job(1, 6.0, None), job(2, None, None), job(3, 8.0, None)]
    offset = drifts_of(past)[0]
    assert [value.value for value in offset.values] == [5.0, 6.0, 8.0]
    assert offset.finding.rate_per_year.value == pytest.approx(5.0, rel=1e-3)


def test_times_of_any_kind_do_not_break_it():
    past = [
        JobSummary(1, "2026-01-01", "", True, Summary(Value("", 1.0, 0.1, "µm")), Summary(), 0),
        JobSummary(2, "nonsense", "", True, Summary(Value("", 2.0, 0.1, "µm")), Summary(), 0),
        JobSummary(
            3, "2025-01-01T00:00:00Z", "", True, Summary(Value("", 3.0, 0.1, "µm")), Summary(), 0
        ),
    ]
    offset = drifts_of(past)[0]
    assert len(offset.values) == 2
    assert offset.finding.rate_per_year.value == pytest.approx(-2.0, abs=0.01)


def test_no_rate_is_told_where_the_times_do_not_follow_the_numbers():
    """A clock that was set back, or an older job that was imported: the report has them by time."""
    back = [job(number, 2.0 * number, None) for number in range(4)]
    back[2] = replace(back[2], opened_at="1970-01-01T00:01:00+00:00")
    for past in (back, sorted(back, key=lambda each: each.opened_at)):
        offset = drifts_of(past)[0]
        assert not offset.is_in_order
        assert offset.rate_per_year is None
    assert drifts_of([job(number, 2.0 * number, None) for number in range(4)])[0].is_in_order


def test_a_rate_is_not_stretched_from_a_short_time():
    near, far = (drifts_of([job(0, 5.0, None), job(days / 73, 6.0, None)])[0] for days in (29, 31))
    assert near.finding.rate_per_year is not None
    assert near.rate_per_year is None
    assert far.rate_per_year is not None
