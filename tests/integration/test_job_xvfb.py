"""Whole jobs in the window on a real X display, by real key presses, from a new drive on."""

import json
import re
import time

import numpy as np
import pytest
from PySide6.QtGui import QColor

from app.analysis.results import Verdict
from app.book.store import Book
from app.dashboard.style import LIGHT
from app.job.model import USUAL_CHECKS, CheckName
from app.job.outcomes import open_failures
from app.job.plan import ENDED, plan_for
from app.job.verdicts import offset_limit
from app.profiles import load_profile
from instruments.address import open_address
from instruments.source import SourceRequest
from instruments.virtual.params import PRACTICES
from tests.integration.technician import DRIVE, SOURCE
from tests.integration.xdisplay import display, program

pytestmark = [pytest.mark.real_time, pytest.mark.slow, pytest.mark.xdist_group("window")]

JOB_WITHIN_S = 700.0
WAIT_S = 120.0
TO_THE_PLAN = 3
"""Controls from the name of a new drive to the plan of its job."""
FOCUS = QColor(LIGHT.second).getRgb()[:3]


@pytest.fixture
def screen(tmp_path):
    with display(tmp_path) as shown:
        yield shown


@pytest.fixture
def book(tmp_path):
    return tmp_path / "book.sqlite3"


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
    """Whether a row is chosen in a list that begins at the top."""
    rows = focused_rows(screen)
    return np.count_nonzero(rows < 300) > 20


def record_of(book):
    """The newest job as it is in the book now, None before there is one."""
    if not book.exists():
        return None
    with Book(book) as kept:
        numbers = kept.numbers()
        return kept.job(numbers[-1]) if numbers else None


def begin_job(screen, book, *, plan=""):
    """Enter the first drive and begin its job, as a newcomer does; `plan` is how one begins."""

    def asked_for_a_name():
        # Pressed again until the window, on a busy machine, has heard it.
        screen.press("F12")
        time.sleep(0.5)
        return (focused_rows(screen) > 580).any()

    # The first drive's name is asked for at once; its field is below the list.
    until(asked_for_a_name)
    if plan:
        screen.press(*["Tab"] * TO_THE_PLAN)
        screen.type(plan)
        screen.press(*["shift+Tab"] * TO_THE_PLAN)
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
def test_a_newcomer_walks_through_the_whole_job_by_keys(screen, book):
    with program(screen.environment, SOURCE, "--book", str(book)):
        screen.focus("Evenlobe")
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


def standing_of(book):
    """How the newest job stands in the book now, None once it is closed."""
    with Book(book) as kept:
        return kept.standing(kept.numbers()[-1])


def open_practice(screen, fault):
    """Choose a fault from the first page, and return the address of the drive that hides it."""

    def remembered():
        kept = list(screen.settings.rglob("window.json"))
        recent = json.loads(kept[0].read_text(encoding="utf-8"))["recent"] if kept else ()
        return recent and recent[0]["address"]

    def offered():
        # The list has the keys: the virtual drive, the tour, and then the bench of practice.
        screen.press("F1", "Home", *["Down"] * 2, "Return")
        time.sleep(0.5)
        return chosen(screen)

    until(offered)
    screen.press(*["Down"] * (1 + PRACTICES.index(fault)), "Return")
    return until(remembered)


def close_job(screen, book):
    """Close the job when all is done, with a reason where something is left failed."""

    def all_ended():
        screen.press("shift+Return")
        time.sleep(0.05)
        return all(step.state in ENDED for step in standing_of(book).steps)

    until(all_ended, JOB_WITHIN_S)
    screen.press("Return")
    if open_failures(record_of(book).outcomes):
        screen.type("practice")
        screen.press("Return")
    return until(lambda: (found := record_of(book)).closed_at and found)


def debrief(screen):
    """What is hidden, in words, and of each row the truth and what was found: copied by keys."""
    # The button that leads back has the keys; the text is before it.
    screen.press("shift+Tab")

    def copied():
        screen.press("ctrl+a", "ctrl+c")
        words = screen.copied()
        return words if "Hidden was" in words else None

    # The first cell of the table's head is empty.
    head, _, _, *cells = filter(None, until(copied).splitlines())
    return head, {what: cells for what, *cells in zip(*[iter(cells)] * 3, strict=True)}


def in_um(words):
    """A number of the debrief, with its ± where it has one."""
    figures = re.fullmatch(r"(\S+?)(?: ± (\S+))? µm", words).groups(default="0")
    return [float(each.replace("−", "-")) for each in figures]


@pytest.mark.timeout(JOB_WITHIN_S + 100.0)
@pytest.mark.parametrize(
    ("fault", "told"),
    [
        ("misaligned", "the stepper's body stands wrong"),
        ("two-heads", "the two heads do not stand alike"),
    ],
)
def test_a_practice_drive_is_walked_from_its_choice_to_its_debrief_by_keys(
    screen, book, fault, told
):
    with program(screen.environment, "--book", str(book)):
        screen.focus("Evenlobe")
        address = open_practice(screen, fault)
        begin_job(screen, book, plan="Adjust")
        record = close_job(screen, book)
        head, rows = debrief(screen)
    assert f"practice={fault}&seed=" in address
    assert record.head.source == address
    assert told in head
    # The truth, of the same drive brought in once more: its address says all of it.
    source = open_address(address, SourceRequest(paced=False))
    source.open()
    hidden = source.controls.hidden
    source.close()
    assert hidden.fault == fault
    truths = {what: in_um(truth)[0] for what, (truth, _) in rows.items()}
    for what, true_um in (
        ("middle of head 0 as found", hidden.found_um),
        ("hysteresis of the positioner", hidden.hysteresis_um),
        ("head 1 outward of head 0", hidden.apart_um),
    ):
        assert truths[what] == pytest.approx(true_um, abs=0.06)
        # What measuring found is true: within twice what it says of itself, k = 2.
        found_um, expanded_um = in_um(rows[what][1])
        assert 0.0 < expanded_um < 40.0
        assert abs(found_um - true_um) < 2.0 * expanded_um
    # What the hands have made of it as well, and it is what stands in the book.
    left_um, expanded_um = in_um(rows["middle of head 0 as left"][1])
    assert abs(left_um - truths["middle of head 0 as left"]) < 2.0 * expanded_um
    assert left_um == pytest.approx(record.as_left.offset_um.value, abs=1.0)
    # By chance the body may have stood well already; as left it does.
    limit_um = offset_limit(load_profile(record.head.profile), final=True).high
    assert abs(truths["middle of head 0 as left"]) < limit_um
