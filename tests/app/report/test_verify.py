"""What was changed in a report since it was written is told, number by number."""

from __future__ import annotations

import re
import zlib
from contextlib import suppress
from dataclasses import replace

import pytest

from app.book.model import CodingError
from app.book.store import Book
from app.cli.main import BAD_INPUT, NO_READING, OK, run
from app.job.model import Stage
from app.numbers import Unit
from app.report import check, pdf
from app.report.check import changes_in_page, changes_in_sheets
from app.report.content import report_of
from app.report.html import page_of, write_page
from app.report.seal import into_page, into_sheets, opened, out_of_page, out_of_sheets, sealed
from tests.app.book.jobs import DRIVE, filled
from tests.app.book.museum import HISTORY, hostile, made_virtual, record

pytestmark = pytest.mark.usefixtures("qapp")

REPORT = report_of(record(), HISTORY)
PAGE = into_page(page_of(REPORT), REPORT.sealed)


def numbers_of(page):
    """Return the places of the figures that a browser shows, the drawings' too."""
    shown, _ = out_of_page(page)
    start = shown.index("<body>")
    texts = re.finditer(r">([^<>]+)<", shown[start:])
    return [
        (start + text.start(1) + number.start(), number[0])
        for text in texts
        for number in re.finditer(r"(?<![\w#])\d[\d.]*", text[1])
    ]


def test_what_was_not_changed_is_told_so():
    assert changes_in_page(PAGE)[0] == []
    for job in (made_virtual(record()), hostile(record(), "<b>x</b>\u202e\ud800 & “")):
        report = report_of(job, HISTORY)
        assert changes_in_page(into_page(page_of(report), report.sealed))[0] == []


@pytest.mark.parametrize("every", [20, pytest.param(1, marks=pytest.mark.slow)])
def test_each_number_of_a_page_that_was_changed_is_told(monkeypatch, every):
    # What its record gives is the same each time.
    wanted, found = page_of(REPORT), opened(REPORT.sealed)
    monkeypatch.setattr("app.report.check.page_of", lambda report: wanted)
    words_of, words = check._words, check._words(wanted)
    monkeypatch.setattr(check, "_words", lambda page: words if page is wanted else words_of(page))
    monkeypatch.setattr("app.report.check.report_of", lambda *_: REPORT)
    monkeypatch.setattr("app.report.check.opened", lambda text: found)
    places = numbers_of(PAGE)
    assert len(places) > 300
    for place, number in places[::every]:
        digit = str((int(PAGE[place]) + 1) % 10)
        changed, _ = changes_in_page(PAGE[:place] + digit + PAGE[place + 1 :])
        assert len(changed) == 1, number
        assert digit + number[1:] in changed[0]
        assert number in changed[0]


def test_a_drawing_that_was_changed_is_told():
    place = PAGE.index('<polyline points="') + len('<polyline points="')
    moved = PAGE[:place] + str((int(PAGE[place]) + 1) % 10) + PAGE[place + 1 :]
    assert "drawn otherwise" in changes_in_page(moved)[0][0]


@pytest.mark.parametrize("every", [200, pytest.param(7, marks=pytest.mark.slow)])
def test_each_text_of_a_pdf_that_was_changed_is_told(monkeypatch, every):
    # What its record gives is the same each time; a page by itself, without fonts, for speed.
    found = opened(REPORT.sealed)
    monkeypatch.setattr("app.report.check.report_of", lambda *_: REPORT)
    monkeypatch.setattr("app.report.check.opened", lambda text: found)
    tried = 0
    for content in pages_of(pdf.drawn(REPORT)[0]):
        drawn = file_of(content), 1
        monkeypatch.setattr(pdf, "drawn", lambda report, paper, drawn=drawn: drawn)
        assert changes_in_sheets(into_sheets(drawn[0], "QUJD"))[0] == []
        # Qt draws letter by letter: some thousands, of which some stand for the rest.
        for glyphs in [*re.finditer(rb"<([0-9a-f]{4,})> Tj", content)][::every]:
            last = glyphs.end(1) - 1
            other = b"1" if content[last : last + 1] != b"1" else b"2"
            changed = file_of(content[:last] + other + content[last + 1 :])
            told = changes_in_sheets(into_sheets(changed, "QUJD"))[0]
            assert told == ["page 1 is not as its record gives it"]
            tried += 1
    assert tried > 8000 / every


def pages_of(data):
    """Return what draws the pages of a PDF (ISO 32000-1, 7.8.2)."""
    pages = []
    for packed in re.findall(rb"stream\r?\n(.*?)\r?\n?endstream", data, re.DOTALL):
        with suppress(zlib.error):
            content = zlib.decompress(packed)
            if b" Tj" in content:
                pages.append(content)
    return pages


def file_of(page):
    """Return as much of a PDF as holds this page."""
    return b"%PDF-1.4\nstream\n" + zlib.compress(page, 1) + b"\nendstream\nstartxref\n"


@pytest.mark.few(1)
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_pdf_of_another_number_with_this_record_is_told(paper, tmp_path):
    job = record()
    first, *rest = job.outcomes
    wrong = [replace(each, value=each.value and each.value + 0.1) for each in rest]
    other = report_of(replace(job, outcomes=(first, *wrong)), HISTORY)
    out = tmp_path / "report.pdf"
    pdf.write_pdf(replace(other, sealed=REPORT.sealed), out, paper)
    assert changes_in_sheets(out.read_bytes())[0][0].startswith("page 1 is not")
    pdf.write_pdf(REPORT, out, paper)
    assert changes_in_sheets(out.read_bytes())[0] == []


def test_a_pdf_in_which_something_else_was_changed_is_told(monkeypatch):
    data, count = pdf.drawn(REPORT)
    monkeypatch.setattr(pdf, "drawn", lambda report, paper: (data, count))
    again = data.replace(b"D:20", b"D:19").replace(b'xmp:CreateDate="20', b'xmp:CreateDate="19')
    assert again != data
    font = data.index(b"stream\n", data.index(b"/Length1")) + 300
    other_font = data[:font] + bytes([data[font] ^ 1]) + data[font + 1 :]
    # An update at the end (ISO 32000-1, 7.5.6): lines over a page, and a note with no text.
    lines = b"\n9 0 obj\n<<\n/Length 13\n>>\nstream\n0 0 9 9 re f Q\nendstream\nendobj\n"
    note = b"\n9 0 obj\n<<\n/Type /Annot /Subtype /Square /Rect [0 0 9 9]\n>>\nendobj\n"
    for changed, told in ((again, 0), (other_font, 1), (data + lines, 1), (data + note, 1)):
        assert len(changes_in_sheets(into_sheets(changed, REPORT.sealed))[0]) == told


def test_a_record_comes_back_as_it_was():
    found = opened(sealed(record(), HISTORY, Unit.UM))
    assert (found.history, found.outcomes, found.head) == (
        HISTORY,
        record().outcomes,
        record().head,
    )
    assert page_of(report_of(found.record, found.history)) == page_of(REPORT)
    page, text = out_of_page(PAGE)
    assert (page, text) == (page_of(REPORT), REPORT.sealed)
    data = b"%PDF-1.4\nstartxref\n9\n%%EOF\n"
    assert out_of_sheets(into_sheets(data, "QUJD" * 3000)) == (data, "QUJD" * 3000)


@pytest.mark.parametrize(
    ("page", "why"),
    [
        (page_of(REPORT), "it holds no record"),
        (into_page(page_of(REPORT), "QUJD"), "its record is damaged"),
        (into_page(page_of(REPORT), REPORT.sealed[:-40]), "its record is damaged"),
    ],
)
def test_a_record_that_is_none_is_told(page, why):
    with pytest.raises(CodingError, match=why):
        changes_in_page(page)


@pytest.fixture
def book(tmp_path):
    path = tmp_path / "book.sqlite3"
    with Book(path) as made:
        number = filled(made)
        made.close_job(number, "2026-03-02T11:00:00+01:00", 3)
    return path


def test_the_command_tells_of_file_and_book(tmp_path, book, capsys):
    out = tmp_path / "report.html"
    words = ["report", "--drive", DRIVE.identity, "--book", str(book), "--out", str(out)]
    assert run(words) == OK
    capsys.readouterr()
    verify = ["verify", str(out), "--book", str(book)]
    assert run(verify) == OK
    told = capsys.readouterr().out
    assert "nothing printed was changed" in told
    assert "its record is that of the book" in told
    assert "not who wrote it" in told
    assert run(["verify", str(out), "--book", str(tmp_path / "none.sqlite3")]) == OK
    assert "does not have this job" in capsys.readouterr().out
    page = out.read_text(encoding="utf-8")
    out.write_text(page.replace("40.0", "4.0"), encoding="utf-8")
    assert run(verify) == NO_READING
    assert "changed: after" in capsys.readouterr().out


def test_a_forger_who_prints_another_record_is_told_by_the_book(tmp_path, book, capsys):
    with Book(book) as kept:
        job, past = kept.job(1), kept.history(DRIVE.identity)
    better = [
        replace(each, value=0.5) if each.stage is Stage.AS_LEFT else each for each in job.outcomes
    ]
    out = tmp_path / "report.html"
    write_page(report_of(replace(job, outcomes=tuple(better)), past), out)
    assert run(["verify", str(out), "--book", str(book)]) == NO_READING
    told = capsys.readouterr().out
    assert "not as in the book: outcomes" in told
    assert "nothing printed was changed" in told


@pytest.mark.parametrize(
    ("content", "why"),
    [(b"hello", "holds no record"), (b"\xff\xfe", "it is no report"), (None, "be read")],
)
def test_what_is_no_report_is_said(tmp_path, capsys, content, why):
    path = tmp_path / "some.html"
    if content is not None:
        path.write_bytes(content)
    assert run(["verify", str(path)]) == BAD_INPUT
    assert why in capsys.readouterr().err


def test_a_report_in_mil_has_no_micrometre_but_among_the_class_values_and_is_verified():
    report = report_of(record(), HISTORY, Unit.MIL)
    page = page_of(report)
    assert changes_in_page(into_page(page, report.sealed))[0] == []
    assert opened(report.sealed).record.outcomes == record().outcomes
    before = page[: page.index("Annex")]
    assert "µm" not in before
    assert "mil" in before
    assert "70.7 °F" in before  # 21.5 °C
    # −33.7 ± 4.0 µm is −1.327 ± 0.157 mil.
    assert "−1.33 ± 0.16 mil" in before
