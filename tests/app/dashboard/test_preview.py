"""The report is seen before it is written, and said where it went or why not."""

import pytest
from PySide6.QtCore import Qt

from app.book.store import Book
from app.dashboard.report_page import Preview
from tests.app.book.jobs import DRIVE, filled


@pytest.fixture
def preview(qtbot, tmp_path):
    path = tmp_path / "book.sqlite3"
    with Book(path) as book:
        number = filled(book)
    made = Preview(path)
    qtbot.addWidget(made)
    made.resize(1000, 700)
    made.come(DRIVE.identity, number)

    def there():
        made.follow()
        assert made.pages

    qtbot.waitUntil(there, timeout=20_000)
    return made


def test_pages_are_shown_as_on_the_paper_chosen(preview):
    tall = preview.pages[0].pixmap().height() / preview.pages[0].pixmap().width()
    assert tall == pytest.approx(297 / 210, abs=0.01)
    preview._paper.setCurrentIndex(1)
    tall = preview.pages[0].pixmap().height() / preview.pages[0].pixmap().width()
    assert tall == pytest.approx(11 / 8.5, abs=0.01)
    assert "TM-0031-Nordtor-job-1" in preview.stem


def test_both_files_are_written_and_never_over_another(preview, tmp_path):
    preview.set_stem(str(tmp_path / "found"))
    preview.write_sheets()
    assert preview.status.startswith("Written")
    assert (tmp_path / "found.pdf").read_bytes().startswith(b"%PDF")
    preview.write_page()
    assert "<html" in (tmp_path / "found.html").read_text(encoding="utf-8")
    preview.write_page()
    assert "there already" in preview.status


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
def test_a_name_that_cannot_be_is_told(preview, stem, said):
    preview._path.setMaxLength(1000)
    preview.set_stem(stem)
    preview.write_page()
    assert said in preview.status


def test_a_job_that_is_not_there_is_told(qtbot, preview, tmp_path):
    preview.come("TM-0", 99)

    def told():
        preview.follow()
        assert "no job 99" in preview.status

    qtbot.waitUntil(told, timeout=20_000)
    assert preview.pages == []
    preview.set_stem(str(tmp_path / "of another job"))
    preview.write_page()
    assert "no report" in preview.status
    assert not list(tmp_path.glob("*.html"))


def test_enter_writes_the_pdf_from_field_and_pages_once(qtbot, preview, tmp_path):
    for number, part in enumerate((preview._path, preview._area)):
        preview.set_stem(str(tmp_path / f"found{number}"))
        qtbot.keyClick(part, Qt.Key.Key_Return)
        assert preview.status.startswith("Written")
        assert (tmp_path / f"found{number}.pdf").exists()
