"""In the window an input and the probe before it are measured by test tones, and kept."""

from __future__ import annotations

import pytest
from PySide6.QtWidgets import QApplication

from app.live.session import Proved
from app.live.view import Phase, View
from instruments.proof import DetectorProof, InputIdentity, InputProof
from tests.app.dashboard.fakes import view
from tests.app.dashboard.keys import KEY, press
from tests.app.dashboard.listening import ListeningSession, player, until_done

LAW = DetectorProof(10e3, 0.01, 1e-3, 0.02, 1e-3, 6.98, 0.07, (0.0, 1.0), (0.01, 1.01))
PROOF = InputProof(
    identity=InputIdentity("Bench", 48_000, "envelope,index", 0.0),
    made_on="2031-05-04",
    conditions="invented",
    noise=1e-4,
    step=0.0,
    fast_part=0.0,
    clock_u_part=0.0,
    detector=LAW,
)


class ProvingSession(ListeningSession):
    """Measures a probe; what is opened is open at once."""

    def open(self, address, roles=None, options=None):
        super().open(address, roles, options)
        self.now = view(0.02)

    def prove(self, open_player, output, at_most, tell):
        return self.listen("prove", open_player, output, at_most, tell=tell)


@pytest.fixture
def shown(open_window, tmp_path):
    """Show the page over a session, as the button of a sound input's form does."""

    def show(session):
        book = tmp_path / "book.sqlite3"
        window = open_window(session, book, ticking=False, open_player=player)
        window.tick()
        window.show_sources()
        window.source_page.show_address("sound:bench")
        window.source_page._form.probe.emit()
        return window

    return show


def of_probe(session):
    return [call for call in session.calls if call[0] in ("prove", "reopen")]


def test_what_is_described_is_opened_measured_and_read_by_what_was_found(qtbot, shown):
    session = ProvingSession(Proved(PROOF))
    window = shown(session)
    page = window.probe_page
    assert window.page is page
    assert session.calls[-1][:2] == ("open", "sound:bench")
    assert "stop the drive's motor" in page._words.text().lower()
    qtbot.keyClicks(window.focusWidget(), "USB")
    page.at_most.setText("50")
    press(KEY.Key_Return)
    until_done(qtbot, window, window.probe_page)
    assert of_probe(session) == [("prove", player, "USB", 0.5), ("reopen",)]
    assert "read by it from now on. Its low corner is 6.98 ± 0.14 Hz." in page.status


def test_an_input_that_is_still_being_opened_is_waited_for(qtbot, shown):
    session = ProvingSession(Proved(PROOF))
    window = shown(session)
    running, session.now = session.now, View(phase=Phase.OPENING, source="sound:bench")
    page = window.probe_page
    page.output.setText("USB")
    press(KEY.Key_Return)
    window.tick()
    assert (of_probe(session), page.status) == ([], "The input is being opened …")
    session.now = running
    until_done(qtbot, window, page)
    assert of_probe(session)[0] == ("prove", player, "USB", 1.0)


def test_whoever_goes_back_while_the_input_is_opened_has_nothing_played(shown):
    session = ProvingSession()
    window = shown(session)
    running, session.now = session.now, View(phase=Phase.OPENING, source="sound:bench")
    window.probe_page.output.setText("USB")
    press(KEY.Key_Return)
    press(KEY.Key_Escape)
    session.now = running
    for _ in range(3):
        window.tick()
    assert of_probe(session) == []


def test_why_nothing_is_kept_is_told_and_it_may_be_played_again(qtbot, shown):
    session = ProvingSession(Proved(fault="nothing came back"), Proved(PROOF))
    window = shown(session)
    page = window.probe_page
    qtbot.keyClicks(window.focusWidget(), "USB")
    press(KEY.Key_Return)
    until_done(qtbot, window, window.probe_page)
    assert page.status.startswith("nothing came back. Mend it and play again")
    page._on.click()
    until_done(qtbot, window, window.probe_page)
    assert [call[0] for call in of_probe(session)] == ["prove", "reopen"] * 2


@pytest.mark.parametrize(
    ("output", "percent", "said"),
    [
        ("", "", "Name the output"),
        *(("USB", percent, "above 0") for percent in ("0", "101", "much", "nan")),
    ],
)
def test_nothing_is_played_before_output_and_level_are_told(shown, output, percent, said):
    session = ProvingSession()
    page = shown(session).probe_page
    page.output.setText(output)
    page.at_most.setText(percent)
    page._on.click()
    assert said in page.status
    assert of_probe(session) == []


def test_a_job_in_hand_is_not_disturbed(shown):
    session = ProvingSession()
    window = shown(session)
    window.show_needle()
    window.begin_job("machine 7", "130mm-48tpi")
    opened = len(session.calls)
    window.show_sources()
    window.source_page.show_address("sound:bench")
    window.source_page._form.probe.emit()
    assert window.page is window.source_page
    assert "A job is in hand" in window.source_page.status
    assert len(session.calls) == opened


def test_only_what_is_known_again_offers_to_be_measured(shown):
    page = shown(ProvingSession()).source_page

    def offers(scheme):
        names = [each.text() for each in page._form_of(scheme).findChildren(type(page._on))]
        return any("Measure the probe" in name for name in names)

    assert [offers(each) for each in ("sound", "visa", "sim", "file", "run")] == [
        True,
        True,
        False,
        False,
        False,
    ]


def test_what_is_said_is_seen_in_a_low_window(qtbot, shown):
    window = shown(ProvingSession(Proved(fault="nothing came back " * 9)))
    window.resize(480, 300)
    QApplication.processEvents()
    page = window.probe_page
    page.output.setText("USB")
    page._on.click()
    until_done(qtbot, window, window.probe_page)
    told = page._status
    qtbot.waitUntil(lambda: told.visibleRegion().boundingRect() == told.rect())
    # And the keys are where it is mended.
    assert page.output.hasFocus()


def test_the_page_stays_while_tones_are_played(qtbot, shown):
    session = ProvingSession(Proved(PROOF))
    window = shown(session)
    page = window.probe_page
    session.may_end.clear()
    qtbot.keyClicks(window.focusWidget(), "USB")
    press(KEY.Key_Return)
    window.tick()
    press(KEY.Key_Escape)
    assert page.busy
    assert window.page is page
    session.may_end.set()
    until_done(qtbot, window, window.probe_page)
    press(KEY.Key_Escape)
    assert window.page is window.needle_page


@pytest.mark.parametrize("found", [Proved(PROOF), Proved(fault="nothing came back")])
def test_whoever_looks_at_another_page_is_told_there_what_came_of_it(qtbot, shown, found):
    session = ProvingSession(found)
    window = shown(session)
    session.may_end.clear()
    qtbot.keyClicks(window.focusWidget(), "USB")
    press(KEY.Key_Return)
    window.show_drives()
    session.may_end.set()
    until_done(qtbot, window, window.probe_page)
    told = f"Measure the probe: {window.probe_page.status}"
    assert told in window.top_bar.words
    assert window.page is window.drives_page
