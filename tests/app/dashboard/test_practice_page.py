"""The practice bench in the window: its choice, and the debrief that waits for the job's end."""

from types import SimpleNamespace

import pytest

from app.analysis.results import Quantity, Verdict
from app.book.store import Book
from app.dashboard.practice_page import PracticePage, debrief_rows, fault_words, signs_of
from app.job.messages import NO_SIGN
from app.job.model import CheckName, Outcome, Stage, Summary, Value
from app.live.opening import PRACTICES, stated_by
from app.live.view import Truth
from app.numbers import plus_minus
from app.profiles import load_profile
from tests.app.dashboard.fakes import FakeControls, FakeSession, view
from tests.app.dashboard.keys import KEY, press
from tests.app.dashboard.test_job import MeasuringSession, walk

TRUTH = Truth("misaligned", -82.4, 3.3, 6.0, -45.0, 7.2)


def done(*, closed=True):
    """A job as far as the debrief asks it."""
    return SimpleNamespace(
        closed=closed,
        as_found=Summary(offset_um=Value("offset", -80.0, 2.0, "µm")),
        as_left=Summary(offset_um=Value("offset", 2.0, 1.0, "µm")),
        known=SimpleNamespace(apart_um=Quantity(-50.0, 1.5)),
        profile=load_profile("130mm-48tpi"),
        outcomes=(
            Outcome(CheckName.SEATING, Stage.AS_FOUND, Verdict.NOTED, value=3.9, u=1.4, unit="µm"),
        ),
    )


@pytest.fixture
def window(open_window):
    controls = FakeControls()
    controls.hidden = TRUTH
    window = open_window(FakeSession(lambda: view(0.1), controls), ticking=False)
    window.show_needle()
    return window


@pytest.mark.parametrize("row", range(len(PRACTICES)))
def test_enter_opens_a_virtual_drive_with_the_chosen_fault(qtbot, row):
    page = PracticePage(lambda seeds: seeds - 1)
    qtbot.addWidget(page)
    page._list.setCurrentRow(row)
    with qtbot.waitSignal(page.chosen) as chosen:
        page.open()
    opening = chosen.args[0].opening
    assert opening.address == f"sim:practice={PRACTICES[row]}&seed=9999"
    assert opening.fault() == ""
    assert stated_by(opening).kind.scheme == "sim"


def test_the_page_is_done_by_keys(window):
    window.show_practice()
    press(KEY.Key_Down)
    press(KEY.Key_Return)
    _, address, *_ = window._session.calls[-1]
    assert address.startswith("sim:practice=misaligned&seed=")
    assert window.page is window.needle_page


def test_a_job_of_another_drive_is_left_open_where_one_practises(open_window, qtbot, tmp_path):
    book = tmp_path / "book.sqlite3"
    window = open_window(MeasuringSession(), book, ticking=False)
    window.tick()
    window.begin_job("machine 7", "130mm-48tpi")
    qtbot.waitUntil(lambda: window.controller.number == 1)
    window.show_practice()
    press(KEY.Key_Return)
    assert window.controller.job is None
    assert "Job 1 stays open in the book" in window.top_bar.words
    assert window._session.calls[-1][1].startswith("sim:practice=")

    def left():
        with Book(book) as opened:
            return opened.left(1) if opened.standing(1) else None

    qtbot.waitUntil(lambda: left() is not None)
    # Without one nothing is said.
    window.show_practice()
    press(KEY.Key_Return)
    assert "stays open" not in window.top_bar.words


def test_the_truth_stands_beside_what_was_found():
    rows = {what: (truth, found) for what, truth, found in debrief_rows(TRUTH, done())}
    assert rows["middle of head 0 as found"] == ("−82.4 µm", "−80.0 ± 4.0 µm")
    assert rows["middle of head 0 as left"] == ("+3.3 µm", "+2.0 ± 2.0 µm")
    assert rows["hysteresis of the positioner"] == ("6.0 µm", "not measured")
    # Of 50 µm the scale leaves 4.6 µm unsure (17.3 in 190), the heads' own reading 1.5 µm.
    assert rows["head 1 outward of head 0"] == ("−45.0 µm", "−50.0 ± 9.6 µm")
    spread = rows["shift of the disk by a seating, root mean square"]
    assert spread == ("7.2 µm", "of it in the offset: 3.9 ± 2.8 µm")


def test_an_offset_whose_side_was_not_known_is_told_without_a_sign():
    job = done()
    radial = Outcome(CheckName.RADIAL, Stage.AS_LEFT, Verdict.PASS, reason=str(NO_SIGN))
    job.outcomes = (*job.outcomes, radial)
    rows = {what: found for what, _, found in debrief_rows(TRUTH, job)}
    assert rows["middle of head 0 as found"] == "−80.0 ± 4.0 µm"
    assert rows["middle of head 0 as left"] == "2.0 ± 2.0 µm"


def test_of_a_seating_that_came_to_no_number_nothing_is_found():
    job = done()
    job.outcomes = (
        Outcome(CheckName.SEATING, Stage.AS_FOUND, Verdict.UNDECIDED),
        Outcome(CheckName.RADIAL, Stage.AS_FOUND, Verdict.PASS, value=5.0, u=1.0, unit="µm"),
    )
    rows = {what: found for what, _, found in debrief_rows(TRUTH, job)}
    assert rows["shift of the disk by a seating, root mean square"] == "not measured"


def test_each_fault_is_told_by_something():
    told = [signs_of(fault) for fault in PRACTICES[1:]]
    assert len(set(told)) == len(told)
    assert all(told)


def test_nothing_is_told_before_the_job_is_closed(window):
    page = window.debrief_page
    window.show_debrief()
    assert "when the job on it is closed" in page.words
    page.activate(TRUTH, done(closed=False))
    assert "82" not in page.words
    page.activate(TRUTH, done())
    assert fault_words("misaligned") in page.words
    assert "−82.4 µm" in page.words
    page.activate(None, None)
    assert "no drive of the practice bench" in page.words


def test_the_debrief_comes_by_itself_once_when_the_job_is_closed(window, monkeypatch):
    job = done(closed=False)
    monkeypatch.setattr(type(window.controller), "job", property(lambda _: job))
    window._debrief_once()
    assert window.page is window.needle_page
    job.closed = True
    window._debrief_once()
    assert window.page is window.debrief_page
    assert "−82.4 µm" in window.debrief_page.words
    press(KEY.Key_Escape)
    assert window.page is window.needle_page
    window._debrief_once()
    assert window.page is window.needle_page


def test_the_debrief_of_a_usual_drive_does_not_come(window, monkeypatch):
    window._session.controls.hidden = None
    monkeypatch.setattr(type(window.controller), "job", property(lambda _: done(closed=False)))
    window._debrief_once()
    monkeypatch.setattr(type(window.controller), "job", property(lambda _: done()))
    window._debrief_once()
    assert window.page is window.needle_page


def test_the_job_on_a_practice_drive_is_done_to_its_debrief_by_keys(qtbot, open_window, tmp_path):
    session = MeasuringSession()
    session.controls.hidden = TRUTH
    window = open_window(session, tmp_path / "book.sqlite3", ticking=False)
    window.tick()
    window.begin_job("machine 7", "130mm-48tpi")
    walk(qtbot, window)
    assert window.page is window.debrief_page
    job = window.controller.job
    rows = {what: found for what, _, found in debrief_rows(TRUTH, job)}
    left = job.as_left.offset_um
    assert rows["middle of head 0 as left"] == plus_minus(left.value, left.u, " µm", sign="+z")
    assert rows["middle of head 0 as left"] in window.debrief_page.words
    press(KEY.Key_Escape)
    assert window.page is window.needle_page
    # The closed job is still there, with its report; the debrief does not come a second time.
    assert window.needle_page.job.card.button == "See the report"
    window._debrief_once()
    assert window.page is window.needle_page
