"""The whole job in the window on a real X display, by real key presses, from a new drive on."""

import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtGui import QColor

from app.analysis.results import Verdict
from app.book.store import Book
from app.dashboard.style import LIGHT
from app.job.model import USUAL_CHECKS, CheckName
from app.job.plan import plan_for
from app.profiles import load_profile
from tests.integration.xdisplay import display

pytestmark = [pytest.mark.real_time, pytest.mark.slow, pytest.mark.xdist_group("window")]

ROOT = Path(__file__).parents[2]
JOB_WITHIN_S = 700.0
WAIT_S = 120.0
DRIVE = "hall 2, machine 7"
FOCUS = QColor(LIGHT.second).getRgb()[:3]


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


def focused_rows(screen):
    """Rows that the frame, or the choice, of what has the keyboard goes across."""
    inked = np.abs(screen.picture().astype(int) - FOCUS).max(axis=2) < 10
    return np.flatnonzero(np.count_nonzero(inked, axis=1) > 500)


def chosen(screen):
    """Whether a drive is chosen in the list of all."""
    rows = focused_rows(screen)
    return np.count_nonzero(rows < 300) > 20


def record_of(book):
    """The newest job as it is in the book now, None before there is one."""
    if not book.exists():
        return None
    with Book(book) as kept:
        numbers = kept.numbers()
        return kept.job(numbers[-1]) if numbers else None


def begin_job(screen, book):
    """Enter the first drive and begin its job, as a newcomer does."""

    def asked_for_a_name():
        # Pressed again until the window, on a busy machine, has heard it.
        screen.press("F12")
        time.sleep(0.5)
        return (focused_rows(screen) > 580).any()

    # The first drive's name is asked for at once; its field is below the list.
    until(asked_for_a_name)
    screen.type(DRIVE)
    screen.press("Return")

    def added():
        with Book(book) as kept:
            return kept.drive(DRIVE)

    until(added)
    until(lambda: chosen(screen))
    screen.press("Return")
    until(lambda: record_of(book))


def work_until(screen, book, count):
    """Let the virtual hand do what is asked until so many checks have their outcome."""

    def all_ended():
        screen.press("shift+Return")
        time.sleep(0.05)
        return len(record_of(book).outcomes) >= count

    until(all_ended, JOB_WITHIN_S)


@pytest.mark.timeout(JOB_WITHIN_S + 100.0)
def test_a_newcomer_walks_through_the_whole_job_by_keys(screen, program, book):
    del program
    begin_job(screen, book)
    before = screen.picture().copy()
    work_until(screen, book, len(plan_for(load_profile("130mm-48tpi"))))
    screen.press("Return")
    record = until(lambda: (found := record_of(book)).closed_at and found)
    assert np.any(screen.picture() != before)
    first = [CheckName.CARE, CheckName.MECHANICS, CheckName.SPEED]
    assert [outcome.check for outcome in record.outcomes[:3]] == first
    # Nothing was left out, and the drive is better than it was.
    assert Verdict.SKIPPED not in {outcome.verdict for outcome in record.outcomes}
    # The class's disk states one radial track.
    wanted = set(USUAL_CHECKS) - {CheckName.TRACKS}
    assert {outcome.check for outcome in record.outcomes} == wanted
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
