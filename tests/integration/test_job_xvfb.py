"""The whole job in the window on a real X display, by real key presses, from a new drive on."""

import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from app.analysis.results import Verdict
from app.book.store import Book
from app.job.model import CheckName
from app.job.plan import plan_for
from app.profiles import load_profile
from tests.integration.xdisplay import display

ROOT = Path(__file__).parents[2]
JOB_WITHIN_S = 400.0
WAIT_S = 30.0
DRIVE = "hall 2, machine 7"


@pytest.fixture
def screen(tmp_path):
    with display(tmp_path) as shown:
        yield shown


@pytest.fixture
def book(tmp_path):
    return tmp_path / "book.sqlite3"


@pytest.fixture
def program(screen, book):
    begun = subprocess.Popen(
        [sys.executable, "-m", "app", "sim:offset_um=-60&creep_um=6&seed=3", "--book", str(book)],
        cwd=ROOT,
        env=screen.environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    screen.focus("Evenlobe")
    yield begun
    begun.send_signal(signal.SIGINT)
    _, errors = begun.communicate(timeout=WAIT_S)
    assert begun.returncode == 0
    assert errors == ""


def until(look, within_s=WAIT_S):
    end_s = time.monotonic() + within_s
    while not (seen := look()):
        assert time.monotonic() < end_s, "it did not come"
        time.sleep(0.1)
    return seen


def record_of(book):
    """The newest job as it is in the book now, None before there is one."""
    if not book.exists():
        return None
    with Book(book) as kept:
        numbers = kept.numbers()
        return kept.job(numbers[-1]) if numbers else None


@pytest.mark.timeout(JOB_WITHIN_S + 100.0)
def test_a_newcomer_walks_through_the_whole_job_by_keys(screen, program, book):
    del program
    screen.press("F12")
    time.sleep(1.0)  # the book is made and read beside the window
    screen.type(DRIVE)  # the first drive's name is asked for at once
    screen.press("Return")

    def added():
        with Book(book) as kept:
            return kept.drive(DRIVE)

    until(added)
    time.sleep(1.0)
    screen.press("F12")
    time.sleep(1.0)
    screen.press("Return")
    until(lambda: record_of(book))
    before = screen.picture().copy()
    steps = len(plan_for(load_profile("130mm-48tpi")))

    def all_ended():
        screen.press("shift+Return")
        time.sleep(0.05)
        return len(record_of(book).outcomes) == steps

    until(all_ended, JOB_WITHIN_S)
    screen.press("Return")
    record = until(lambda: (found := record_of(book)).closed_at and found)
    assert np.any(screen.picture() != before)
    # Nothing was left out, and the drive is better than it was.
    assert Verdict.SKIPPED not in {outcome.verdict for outcome in record.outcomes}
    assert {outcome.check for outcome in record.outcomes} == set(CheckName)
    assert record.head.virtual
    assert abs(record.as_found.offset_um.value) > 40.0
    assert abs(record.as_left.offset_um.value) < 10.0
    assert record.closing_reason == ""
    with Book(book) as kept:
        assert len(kept.numbers()) == 1
    # The report is shown: white paper where the needle was.
    screen.press("Return")
    until(lambda: (screen.picture()[300:900, 900:1000] == 255).all(axis=2).mean() > 0.5)
    screen.press("Escape")
    until(lambda: (screen.picture()[300:900, 900:1000] == 255).all(axis=2).mean() < 0.5)
