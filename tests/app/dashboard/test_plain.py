"""Words of others in the window: nothing in them turns what stands beside them, or is markup.

The signs are those of Unicode Standard Annex 9 (The Unicode Consortium), 2.1 to 2.6.
"""

from dataclasses import replace
from unicodedata import bidirectional

import pytest
from PySide6.QtGui import QTextDocument
from PySide6.QtWidgets import QApplication, QLabel, QListWidget, QWidget

from app.book.model import Drive
from app.book.store import Book
from app.dashboard.plain import plain, tip
from app.dashboard.settings import Choice, Settings
from app.live.opening import Opening
from app.live.view import Phase
from app.report.blocks import within
from tests.app.dashboard.fakes import FakeSession, view

OVERRIDE = "\u202e"
HOSTILE = f"<img src=x>{OVERRIDE}<h1>12&lt;.wav"
TURNING = ("LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI")


def test_every_sign_that_turns_text_is_taken_out():
    signs = [chr(code) for code in range(0x3000) if bidirectional(chr(code)) in TURNING]
    assert len(signs) == len(TURNING)
    assert list(map(plain, signs)) == ["\ufffd"] * len(signs)
    assert plain("a\x1b\x00\u2028\ud800\U000e0041b") == "a" + 5 * "\ufffd" + "b"


@pytest.mark.parametrize("words", ["12 µm\n3 %", "ab-12\t\u00a0\u202f", within("שלום 12") + ", 3"])
def test_what_turns_nothing_stays(words):
    assert plain(words) == words


def test_an_isolate_without_its_end_turns_nothing():
    assert plain("\u2068ש 1, 2") == "\ufffdש 1, 2"


@pytest.mark.parametrize("words", ["<h1>x</h1>", "a <img src=x>", "&lt;b&gt;", "a\n b < c", "µm"])
def test_a_tip_shows_each_letter(qapp, words):
    shown = QTextDocument()
    shown.setHtml(tip(words)) if tip(words) != words else shown.setPlainText(words)
    assert shown.toPlainText() == words


def told_by(window):
    """Return all that a window says in words that others may have written."""
    for widget in window.findChildren(QWidget):
        yield widget.accessibleName()
        yield widget.accessibleDescription()
        yield widget.toolTip()
        if isinstance(widget, QLabel):
            yield widget.text()
        if isinstance(widget, QListWidget):
            for row in range(widget.count()):
                yield from (widget.item(row).text(), widget.item(row).toolTip())


def test_a_hostile_name_is_shown_everywhere_and_steers_nothing(
    qtbot, open_window, tmp_path, announced
):
    path, address = tmp_path / "book.sqlite3", f"file:{HOSTILE}"
    with Book(path) as book:
        book.add_drive(Drive(HOSTILE, "130mm-48tpi", note=HOSTILE))
    settings = Settings()
    settings.recent = (Choice(Opening(address)),)
    fault = f"capture “{HOSTILE}” is not there; check its name"
    session = FakeSession(view(0.1, source=address), None, [(f"sound:{HOSTILE}", HOSTILE)])
    session.listing = replace(session.listing, hints=(HOSTILE,))
    window = open_window(session, path, settings=settings)
    window.show_help()
    window.show_sources()
    qtbot.waitUntil(lambda: not window.source_page.looking)
    window.source_page.say(HOSTILE)
    window.top_bar.remark(HOSTILE)
    window.show_drives()
    qtbot.waitUntil(lambda: HOSTILE[:8] in "".join(told_by(window.drives_page)))
    session.now = replace(session.now, phase=Phase.FAILED, message=fault)
    window.show_needle()
    window.tick()
    QApplication.processEvents()
    told = [words for words in told_by(window) if "<img" in words or "&lt;" in words]
    assert len(told) > 9
    assert [words for words in told if OVERRIDE in words] == []
    assert [words for words in map(str, announced) if OVERRIDE in words] == []
    for label in window.findChildren(QLabel):
        assert "<img" not in label.text() or label.textFormat().name == "PlainText"
    tips = [each.toolTip() for each in window.findChildren(QWidget)]
    tips += [
        each.item(row).toolTip()
        for each in window.findChildren(QListWidget)
        for row in range(each.count())
    ]
    assert len([words for words in tips if "img" in words]) > 2
    assert [words for words in tips if "<img" in words] == []
