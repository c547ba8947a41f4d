"""The report is seen before it is written, and said where it went or why not."""

from dataclasses import replace

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QTextDocumentFragment
from PySide6.QtWidgets import QApplication, QLabel

from app.book.store import Book
from app.dashboard.report_page import ReportPage
from app.dashboard.report_reading import Drawing
from app.dashboard.style import LIGHT, Sizes
from app.report.blocks import Figures, Lines, Table
from tests.app.book.jobs import DRIVE, filled

# The plug-in without a screen says so of each window that is sized.
pytestmark = pytest.mark.qt_log_ignore("propagateSizeHints", extend=True)


def all_drawn(page):
    """Have a page go on frame by frame until its report's pages are all there."""
    while page._drawing is not None:
        page.refresh()


@pytest.fixture
def report_page(qtbot, tmp_path):
    path = tmp_path / "book.sqlite3"
    with Book(path) as book:
        number = filled(book)
    made = ReportPage(path)
    qtbot.addWidget(made)
    made.resize(1000, 700)
    made.show()
    made.activate(DRIVE.identity, number)

    def there():
        made.refresh()
        assert made.is_whole

    qtbot.waitUntil(there)
    return made


def test_pages_are_shown_as_on_the_paper_chosen(report_page):
    tall = report_page.pages[0].height() / report_page.pages[0].width()
    assert tall == pytest.approx(297 / 210, abs=0.01)
    report_page._paper.setCurrentIndex(1)
    all_drawn(report_page)
    tall = report_page.pages[0].height() / report_page.pages[0].width()
    assert tall == pytest.approx(11 / 8.5, abs=0.01)
    assert "TM-0031-Nordtor-job-1" in report_page.stem


def test_pages_are_drawn_piece_by_piece_between_frames(report_page, monkeypatch):
    before = len(report_page.pages)
    monkeypatch.setattr("app.dashboard.report_page._AT_ONCE_S", 0.0)
    report_page._paper.setCurrentIndex(1)
    seen = []
    while report_page._drawing is not None:
        seen.append(len(report_page.pages))
        report_page.refresh()
    # The head and each section are laid out by themselves, then a page comes at a time.
    laid_out = 1 + len(report_page._report.sections)
    assert seen[: laid_out + 1] == [0] * (laid_out + 1)
    assert seen[laid_out:] == list(range(len(report_page.pages) + 1))
    assert len(report_page.pages) == pytest.approx(before, abs=1)
    # Another report's are not gone on with.
    report_page._paper.setCurrentIndex(0)
    report_page.refresh()
    report_page.activate(DRIVE.identity, 1)
    assert report_page._drawing is None


def test_the_title_is_left_out_where_the_pages_need_its_room(report_page):
    for height, there in ((700, True), (260, False), (700, True)):
        report_page.resize(1000, height)
        assert report_page._title.isVisible() == there


@pytest.mark.parametrize("ratio", [1.0, 1.5, 2.0])
def test_a_page_has_a_dot_for_each_of_the_screens_own(qtbot, report_page, monkeypatch, ratio):
    monkeypatch.setattr(ReportPage, "devicePixelRatioF", lambda _: ratio)
    report_page._paper.setCurrentIndex(1)
    all_drawn(report_page)
    for width in (1000, 900):
        report_page.resize(width, 700)
        sheet = report_page.pages[0]
        assert sheet.picture.width() == pytest.approx(ratio * sheet.width(), abs=ratio)
    assert sheet.width() < report_page._area.viewport().width()
    # As the paper, 110 dots of a usual screen to the inch.
    assert sheet.whole_px == pytest.approx(8.5 * 110.0, abs=1.0)


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

    qtbot.waitUntil(told)
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


def test_a_report_goes_among_the_documents_in_a_folder_made_for_it(
    qtbot, report_page, tmp_path, monkeypatch
):
    documents = tmp_path / "home" / "documents"
    monkeypatch.setattr(
        "app.dashboard.report_page.QStandardPaths.writableLocation",
        lambda where: str(documents if where.name == "DocumentsLocation" else tmp_path),
    )
    for stem in ("one", "two"):
        report_page.set_stem(str(documents / stem))
        report_page.write_page()
        assert report_page.status == f"Written: {documents / stem}.html"
    # An ending that is typed is not doubled.
    report_page.set_stem(str(documents / "three.html"))
    report_page.write_page()
    assert sorted(path.name for path in documents.iterdir()) == [
        "one.html",
        "three.html",
        "two.html",
    ]
    report_page.set_stem(str(tmp_path / "elsewhere" / "four"))
    report_page.write_page()
    assert report_page.status == (
        f"“{tmp_path / 'elsewhere' / 'four.html'}” cannot be written: No such file or directory; "
        "choose another place."
    )


def test_pages_are_named_and_those_before_are_gone(report_page):
    assert [page.accessibleName() for page in report_page.pages] == [
        f"Page {number}" for number in range(1, len(report_page.pages) + 1)
    ]
    before = len(report_page.pages)
    column = report_page._column
    assert column.count() == before
    assert column.itemAt(0).alignment() == Qt.AlignmentFlag.AlignHCenter
    report_page._paper.setCurrentIndex(1)
    all_drawn(report_page)
    assert column.count() == len(report_page.pages)
    names = [report_page._paper.itemText(place) for place in range(report_page._paper.count())]
    assert names == ["A4", "Letter"]


def test_the_report_before_is_neither_shown_nor_written_while_the_book_is_read(report_page):
    report_page.activate(DRIVE.identity, 1)
    assert report_page.status == "Reading the book …"
    assert report_page.pages == []
    assert report_page._column.count() == 0
    report_page.write_page()
    assert report_page.status == "There is no report to write yet."
    report_page._paper.setCurrentIndex(1)
    all_drawn(report_page)
    assert report_page.pages == []


def test_letters_go_by_the_page_and_enter_is_held_without_harm(qtbot, report_page, tmp_path):
    report_page.set_stem(str(tmp_path / "found"))
    qtbot.keyClick(report_page, Qt.Key.Key_A)
    assert not list(tmp_path.glob("*.pdf"))
    qtbot.keyClick(report_page, Qt.Key.Key_Return)
    assert report_page.status == f"Written: {tmp_path / 'found.pdf'}"


def texts_of(report):
    """Every text of a report, whatever it stands in."""
    yield from (report.title, report.identity, report.job, report.lead)
    for section in report.sections:
        yield section.title
        for block in section.blocks:
            if isinstance(block, Table):
                yield from (each for row in block.rows for each in row if isinstance(each, str))
            elif isinstance(block, Figures):
                yield from (figure.caption for figure in block.items)
            else:
                yield from block.items if isinstance(block, Lines) else block.labels


def words_in(report_page):
    shown = [each for each in report_page._sheets.findChildren(QLabel) if each.isVisible()]
    plain = [QTextDocumentFragment.fromHtml(each.text()).toPlainText() for each in shown]
    return [each.replace("\u200b", "") for each in plain]


def test_an_address_of_any_length_makes_no_line_wider_than_the_window(report_page):
    address = "sim:" + "&".join(f"offset_um={number}" for number in range(30))
    report_page._report = replace(report_page._report, identity=address)
    report_page.resize(470, 260)
    QApplication.processEvents()
    assert not report_page.pages[0].isVisible()
    assert any(address in words for words in words_in(report_page))
    assert report_page._sheets.width() <= report_page._area.viewport().width()


def test_where_pages_cannot_be_read_all_their_words_can(report_page):
    assert report_page.pages[0].isVisible()
    assert report_page._file.parent() is report_page
    report_page.resize(470, 260)
    assert not report_page.pages[0].isVisible()
    words = words_in(report_page)
    whole = " ".join(" ".join(words).split())
    for text in texts_of(report_page._report):
        assert " ".join(text.split()) in whole
    figures = sum(
        len(block.items)
        for section in report_page._report.sections
        for block in section.blocks
        if isinstance(block, Figures)
    )
    drawings = report_page._sheets.findChildren(Drawing)
    assert len(drawings) == figures > 0
    QApplication.processEvents()
    for each in drawings:
        assert each.height() == each.heightForWidth(each.width())
    # That the drive is virtual is told in each section, as on each page.
    assert sum("VIRTUAL DRIVE" in each for each in words) == len(report_page._report.sections)
    # One way to scroll, and the file's name goes along.
    assert report_page._sheets.width() <= report_page._area.viewport().width()
    assert report_page._sheets.isAncestorOf(report_page._path)
    for width in (1000, 1010):
        report_page.resize(width, 700)
        assert report_page.pages[0].isVisible()
        assert report_page._file.parent() is report_page
        # Above the buttons, which are last.
        assert report_page._whole.indexOf(report_page._file) == report_page._whole.count() - 2
    assert not drawings[0].isVisible()


def test_pages_are_as_large_as_the_window_s_own_words(report_page):
    usual = report_page.pages[0].whole_px
    for size, larger in (((1920, 1080), 1.0), ((3840, 2160), 2.0), ((1000, 700), 1.0)):
        report_page.apply_theme(LIGHT, Sizes.of(*size))
        all_drawn(report_page)
        assert report_page.pages[0].whole_px == pytest.approx(larger * usual, abs=1.0)


def test_whoever_wants_the_folder_is_told_where_a_report_is(qtbot, report_page, tmp_path):
    report_page.set_stem(str(tmp_path / "told"))
    with qtbot.waitSignal(report_page.written) as told:
        report_page.write_page()
    assert told.args == [tmp_path / "told.html"]
