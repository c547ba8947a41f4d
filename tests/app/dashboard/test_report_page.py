"""The report is seen before it is written, and said where it went or why not."""

import pytest
from PySide6.QtCore import Qt

from app.book.store import Book
from app.dashboard.report_page import ReportPage
from tests.app.book.jobs import DRIVE, filled


@pytest.fixture
def report_page(qtbot, tmp_path):
    path = tmp_path / "book.sqlite3"
    with Book(path) as book:
        number = filled(book)
    made = ReportPage(path)
    qtbot.addWidget(made)
    made.resize(1000, 700)
    made.activate(DRIVE.identity, number)

    def there():
        made.refresh()
        assert made.pages

    qtbot.waitUntil(there, timeout=20_000)
    return made


def test_pages_are_shown_as_on_the_paper_chosen(report_page):
    tall = report_page.pages[0].pixmap().height() / report_page.pages[0].pixmap().width()
    assert tall == pytest.approx(297 / 210, abs=0.01)
    report_page._paper.setCurrentIndex(1)
    tall = report_page.pages[0].pixmap().height() / report_page.pages[0].pixmap().width()
    assert tall == pytest.approx(11 / 8.5, abs=0.01)
    assert "TM-0031-Nordtor-job-1" in report_page.stem


def test_both_files_are_written_and_never_over_another(report_page, tmp_path):
    report_page.set_stem(str(tmp_path / "found"))
    report_page.write_sheets()
    assert report_page.status.startswith("Written")
    assert (tmp_path / "found.pdf").read_bytes().startswith(b"%PDF")
    report_page.write_page()
    assert "<html" in (tmp_path / "found.html").read_text(encoding="utf-8")
    report_page.write_page()
    assert "there already" in report_page.status


@pytest.mark.parametrize(
    ("stem", "said"),
    [
        ("", "no name"),
        ("/nowhere/at/all/x", "cannot be written"),
        ("a\0b", "cannot"),
        ("/", "cannot"),
        ("~nobody-of-this-name/x", "cannot"),
    ],
)
def test_a_name_that_cannot_be_is_told(report_page, stem, said):
    report_page._path.setMaxLength(1000)
    report_page.set_stem(stem)
    report_page.write_page()
    assert said in report_page.status


def test_a_job_that_is_not_there_is_told(qtbot, report_page, tmp_path):
    report_page.activate("TM-0", 99)

    def told():
        report_page.refresh()
        assert "no job 99" in report_page.status

    qtbot.waitUntil(told, timeout=20_000)
    assert report_page.pages == []
    report_page.set_stem(str(tmp_path / "of another job"))
    report_page.write_page()
    assert "no report" in report_page.status
    assert not list(tmp_path.glob("*.html"))


def test_enter_writes_the_pdf_from_field_and_pages_once(qtbot, report_page, tmp_path):
    for number, part in enumerate((report_page._path, report_page._area)):
        report_page.set_stem(str(tmp_path / f"found{number}"))
        qtbot.keyClick(part, Qt.Key.Key_Return)
        assert report_page.status.startswith("Written")
        assert (tmp_path / f"found{number}.pdf").exists()
