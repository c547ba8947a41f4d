"""What headings and header lines of a CSV say: units, times, counters, intervals, points."""

import numpy as np
import pytest

from instruments.file.statements import heads_interval, stated_interval_s, stated_points
from instruments.file.words import is_unit, names_counter, names_time, unit_in, unit_of
from tests.instruments.file.captures import read_all


@pytest.mark.parametrize(
    ("title", "unit"),
    [
        ("CH1 (mV)", "mv"),
        ("time_ms", "ms"),
        ("Time [s]", "s"),
        ("A (x) (V)", "v"),
        ("t/us", "us"),
        ("Channel A", None),
        ("Current (A)", "a"),
        ("CH1", None),
        ("kilovolts", "kilovolts"),
        ("", None),
    ],
)
def test_the_unit_of_a_heading(title, unit):
    assert unit_in(title) == unit


@pytest.mark.parametrize(
    ("cell", "unit"), [("(V)", "v"), ("[ms]", "ms"), ("dB", "db"), ("x", None)]
)
def test_the_unit_of_a_cell(cell, unit):
    assert unit_of(cell) == unit
    assert is_unit(cell) is (unit is not None)
    assert is_unit(" Sequence ")
    assert is_unit("")


def test_headings_of_times_and_of_counters():
    assert all(map(names_time, ("Time", "X-axis", "t (ms)", "time stamp", "elapsed in s")))
    assert not any(map(names_time, ("CH1", "time of CH1", "", "12")))
    assert all(map(names_counter, ("Sample", "Point No", "row index", "12", "")))
    assert not any(map(names_counter, ("Sample volts", "CH1")))


@pytest.mark.parametrize(
    ("line", "interval_s"),
    [
        ("Sample Interval,2.00E-06", 2e-6),
        ("Sampling period (us),4", 4e-6),
        ("Increment;5e-7;s", 5e-7),
        ("XINCR 1.0E-3", 1e-3),
        ("delta t = 3 ms", 3e-3),
        ("Sample rate: 250 kSa/s", 4e-6),
        ("Sampling frequency (MHz): 2", 5e-7),
        ("Sample rate: 1 GS/s", 1e-9),
        ("Sample rate,0", None),
        ("Sample Interval,1e-13", None),
        ("Sample Interval,1e-12", 1e-12),
        ("Sample Interval,1e6", 1e6),
        ("Sample Interval,1.1e6", None),
        ("Y increment,0.5", None),
        ("Vertical increment 0.5", None),
        ("Record length 500", None),
    ],
)
def test_the_interval_of_a_header_line(line, interval_s):
    found = stated_interval_s(line)
    assert found == (None if interval_s is None else pytest.approx(interval_s))


@pytest.mark.parametrize(
    ("line", "points"),
    [
        ("Record Length,2500", 2500),
        ("Number of points: 1", 1),
        ("number of samples = 1e4", 10000),
        ("Record length,0", None),
        ("Record length", None),
        ("Sample Interval,5", None),
    ],
)
def test_the_points_of_a_header_line(line, points):
    assert stated_points(line) == points


def test_headings_over_an_interval():
    assert all(map(heads_interval, ("Increment", " XINCR ", "Sample interval:")))
    assert not any(map(heads_interval, ("Increment 5", "Y increment", "Points")))


@pytest.mark.parametrize("rows", ["0.1,1\n0.2,2\n0.3,3,x", "0.1,1,,\n0.2,2,,\n0.3,3,x,"])
def test_a_word_in_the_last_row_ends_nothing(tmp_path, rows):
    path = tmp_path / "capture.csv"
    path.write_text(f"s,V\n{rows}")
    _, blocks = read_all(path)
    assert np.concatenate([block.samples_v for block in blocks])[:2, 0].tolist() == [1.0, 2.0]
