"""A drive's history: the chart of a number with its drift in words, and the lines of the lists."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from app.analysis.adjust.drift import DriftFinding
from app.analysis.results import Quantity
from app.book.drift import Drift
from app.book.model import Drive, DriveSummary, JobSummary
from app.dashboard.drives_page import HistoryChart, PastJobs, _drive_line
from app.dashboard.style import DARK, LIGHT, Sizes
from app.job.model import Summary, Value

FIRST = datetime(2026, 3, 2, 9, tzinfo=UTC)
DAY_S = 86_400.0
FINDING = DriftFinding(3, Quantity(-4.0, 0.5), True, Quantity(1.5, 0.25), True, (0, 60), (2.0, 1.0))


def drift(count=3, finding=FINDING, spread=0.25, every=30):
    at = tuple(FIRST + timedelta(days=every * number) for number in range(count))
    values = tuple(Value("offset", 2.0 - number, spread, "µm") for number in range(count))
    return Drift("offset", "µm", at, values, finding)


@pytest.fixture
def chart(qtbot):
    made = HistoryChart()
    qtbot.addWidget(made)
    made.apply_theme(LIGHT, Sizes(1.0))
    return made


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (
            drift(),
            "Drift −4.00 ± 1.00 µm a year. Since last time +1.50 ± 0.50 µm: more than its "
            "uncertainty.",
        ),
        (
            drift(finding=replace(FINDING, drifts=False, changed=False)),
            "Drift −4.00 ± 1.00 µm a year, which cannot be told from none. Since last time +1.50 "
            "± 0.50 µm: within its uncertainty.",
        ),
        (drift(finding=replace(FINDING, last_change=None)), "Drift −4.00 ± 1.00 µm a year"),
        (drift(finding=replace(FINDING, rate_per_year=None)), "Too few jobs to tell a drift."),
        (drift(every=10), "20 days from first to last are too few to tell a drift."),
    ],
)
def test_a_drift_in_words(chart, number, words):
    chart.show_drift(number)
    assert chart.words == f"Offset (µm), adjustments taken out. {words}"
    assert chart.accessibleDescription() == chart.words
    assert chart.accessibleName() == "History of the drive"


def test_its_words_go_on_in_a_second_line_where_the_window_is_narrow(chart):
    chart.show_drift(drift())
    assert 0 < chart.heightForWidth(2000) < chart.heightForWidth(200)


def test_without_a_number_there_is_no_chart(chart):
    chart.show_drift(drift())
    assert not chart._plot.isHidden()
    for number, words in ((drift(0), "Offset: no job has measured it yet."), (None, "")):
        chart.show_drift(number)
        assert chart._plot.isHidden()
        assert chart.words == chart.accessibleDescription() == words


def seconds(number):
    return np.array([at.timestamp() for at in number.at])


def test_points_bars_and_line_stand_where_the_jobs_were(chart):
    number = drift()
    chart.show_drift(number)
    x, y = chart._points.getData()
    np.testing.assert_allclose(x, seconds(number))
    np.testing.assert_allclose(y, [2.0, 1.0, 0.0])
    # A bar is from −U to +U, U = 2u.
    np.testing.assert_allclose(chart._bars.opts["height"], [1.0] * 3)
    np.testing.assert_allclose(chart._bars.opts["x"], x)
    np.testing.assert_allclose(chart._bars.opts["y"], y)
    assert chart._bars.opts["beam"] == 0.0
    line_x, line_y = chart._line.getData()
    np.testing.assert_allclose(line_x, x[0] + np.array([0, 60]) * DAY_S)
    np.testing.assert_allclose(line_y, [2.0, 1.0])
    (left, right), (bottom, top) = chart._plot.plot_item.getViewBox().viewRange()
    wide = x[-1] - x[0]
    assert (left, right) == pytest.approx((x[0] - 0.12 * wide, x[-1] + 0.12 * wide), abs=1)
    # With the bars it goes from −0.5 to 2.5.
    assert (bottom, top) == pytest.approx((-0.5 - 0.12 * 3, 2.5 + 0.12 * 3))
    chart.show_drift(replace(number, finding=replace(FINDING, rate_per_year=None)))
    assert chart._line.getData()[0] is None or len(chart._line.getData()[0]) == 0


@pytest.mark.parametrize(("count", "days"), [(1, 100), (2, 1)])
def test_a_single_job_stands_among_days_and_several_of_a_day_among_its_hours(chart, count, days):
    number = drift(count, spread=None, every=0)
    chart.show_drift(number)
    (left, right), (bottom, top) = chart._plot.plot_item.getViewBox().viewRange()
    assert right - left == pytest.approx(2 * 0.12 * days * DAY_S)
    assert (left + right) / 2 == pytest.approx(FIRST.timestamp())
    least = max(count - 1, 1e-3)
    assert top - bottom == pytest.approx(count - 1 + 2 * 0.12 * least)


def test_a_chart_takes_on_colours_and_sizes(chart):
    for theme, unit in ((DARK, 0.4), (LIGHT, 1.3)):
        chart.apply_theme(theme, Sizes(unit))
        points, bars, line = chart._points.opts, chart._bars.opts["pen"], chart._line.opts["pen"]
        assert points["pen"].color().name() == theme.ink
        assert points["pen"].widthF() == max(1.0, unit)
        assert points["brush"].color().name() == theme.needle
        assert points["size"] == max(8, round(12 * unit))
        assert points["symbol"] == "o"
        assert (bars.color().name(), bars.widthF()) == (theme.ink, max(1.0, 2 * unit))
        assert (line.color().name(), line.widthF()) == (theme.second, max(1.0, 2 * unit))
    assert chart._line.opts["antialias"]
    scenes = {each.scene() for each in (chart._points, chart._bars, chart._line)}
    assert scenes == {chart._plot.scene()}
    chart.set_virtual(True)
    assert chart._plot._virtual


def offset(value):
    return Summary(offset_um=None if value is None else Value("offset", value, 0.25, "µm"))


def job(number, found=None, left=None, *, virtual=False, closed="2026-03-02T11:00:00+01:00"):
    opened = f"2026-03-0{number}T09:05:00+01:00"
    return JobSummary(number, opened, closed, virtual, offset(found), offset(left), 0)


@pytest.fixture
def past(qtbot):
    made = PastJobs()
    qtbot.addWidget(made)
    made.chart.apply_theme(LIGHT, Sizes(1.0))
    return made


def test_jobs_are_listed_newest_first(past):
    jobs = (
        job(1, 12.0, -1.5),
        job(2, 3.0, closed=""),
        job(3, None, 3.0, virtual=True),
        job(4),
    )
    past.show_jobs(jobs)
    assert [past.list.item(row).text() for row in range(past.list.count())] == [
        "4    2026-03-04 09:05",
        "3    2026-03-03 09:05    – → +3.0 ± 0.5 µm    virtual drive",
        "2    2026-03-02 09:05    +3.0 ± 0.5 µm → –    open",
        "1    2026-03-01 09:05    +12.0 ± 0.5 µm → −1.5 ± 0.5 µm",
    ]
    assert past.chosen is None
    past.list.setCurrentRow(1)
    assert past.chosen == 3
    past.show_jobs(())
    assert (past.list.count(), past.chosen, past.chart.words) == (0, None, "")


def test_jobs_of_the_virtual_drive_and_of_a_real_one_are_not_mixed(past):
    real = [job(number, 1.0, 1.0) for number in (1, 2)]
    past.show_jobs((*real, job(3, 9.0, 9.0, virtual=True)))
    assert len(past.chart._points.getData()[0]) == 1
    assert past.chart._plot._virtual
    past.show_jobs((job(1, 9.0, 9.0, virtual=True), *[replace(each, number=5) for each in real]))
    assert len(past.chart._points.getData()[0]) == 2
    assert not past.chart._plot._virtual


def test_the_three_numbers_come_one_after_the_other_and_again(past):
    assert not past.next_number()
    past.show_jobs((job(1, 1.0, 1.0),))
    first = past.chart.words
    seen = [first]
    for _ in range(3):
        assert past.next_number()
        seen.append(past.chart.words)
    assert seen[3] == first
    assert first.startswith("Offset")
    past.next_number()
    shown = past.chart.words
    past.show_jobs((job(1, 1.0, 1.0),))
    assert past.chart.words == shown  # the number that was chosen stays


@pytest.mark.parametrize(
    ("last", "words"),
    [
        (None, ""),
        (job(2, 12.0, -1.5), "    2026-03-02    −1.5 ± 0.5 µm"),
        (job(2, 12.0), "    2026-03-02    +12.0 ± 0.5 µm"),
        (job(2), "    2026-03-02"),
        (job(2, closed=""), "    2026-03-02    open"),
    ],
)
def test_a_drive_in_the_list_has_its_last_job(last, words):
    drive = Drive("TM-0044", "90mm-135tpi", "spare")
    is_open = last is not None and not last.closed_at
    rest = (1, last, 2 if is_open else None)
    told = _drive_line(DriveSummary(drive, *rest))
    assert told == "TM-0044    90mm-135tpi    spare" + words
    bare = _drive_line(DriveSummary(replace(drive, note=""), *rest))
    assert bare == "TM-0044    90mm-135tpi" + words
