"""The report as PDF, as poppler reads it."""

import re
import subprocess

import numpy as np
import pytest
from PySide6.QtGui import QImage

from app.report import pdf
from app.report.content import report_of
from app.report.pdf import drawn, pages_of, write_pdf
from tests.app.book.museum import HISTORY, HOSTILE, hostile, made_virtual, record, solid_grey

DPI = 60
pytestmark = pytest.mark.usefixtures("qapp")


def ran(*words):
    return subprocess.run(words, check=True, capture_output=True, timeout=60).stdout


def pages_text(path):
    *pages, rest = ran("pdftotext", "-layout", path, "-").decode().split("\f")
    assert not rest.strip()
    return pages


def grey(image):
    image = image.convertToFormat(QImage.Format.Format_RGB888)
    rows = np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), -1)
    return rows[:, : 3 * image.width()].reshape(image.height(), image.width(), 3).copy()


def pictures(path, folder):
    ran("pdftoppm", "-r", str(DPI), "-png", path, folder / "page")
    return [grey(QImage(str(each))) for each in sorted(folder.glob("page*.png"))]


@pytest.fixture
def job():
    return report_of(record(), HISTORY)


@pytest.mark.parametrize(
    ("paper", "millimetres"),
    # ISO 216 A4; ANSI/ASME Y14.1 A, 8.5 by 11 inches.
    [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))],
)
def test_pages_have_their_size_and_numbers(job, tmp_path, paper, millimetres):
    out = tmp_path / "report.pdf"
    count = write_pdf(job, out, paper)
    info = ran("pdfinfo", out).decode()
    points = re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", info).groups()
    assert [float(each) / 72 * 25.4 for each in points] == pytest.approx(millimetres, abs=0.5)
    texts = pages_text(out)
    assert 2 <= len(texts) == count <= 5
    for number, text in enumerate(texts, 1):
        assert f"page {number} of {count}" in text
        assert "machine 7, upper, job 12" in text
        assert "VIRTUAL" not in text
    assert [each.name for each in tmp_path.iterdir()] == ["report.pdf"]


def test_everything_is_text_and_lines(job, tmp_path):
    out = tmp_path / "report.pdf"
    write_pdf(job, out)
    assert len(ran("pdfimages", "-list", out).decode().splitlines()) == 2
    text = " ".join(pages_text(out))
    for words in (
        "−33.4 ± 4.0 µm",
        "within ±26.5 µm",
        "FAIL",
        "undecided",
        "common practice",
        "no scratch disk at the bench",
        "Cautions",
        "mains voltage",
        "Signature",
        "as found",
        "alignment disk no. 3",
    ):
        assert words in text


def test_each_page_of_the_virtual_drive_is_marked_across(tmp_path):
    out = tmp_path / "report.pdf"
    write_pdf(report_of(made_virtual(record())), out)
    for text in pages_text(out):
        assert "VIRTUAL DRIVE" in text
    plain = tmp_path / "plain.pdf"
    write_pdf(report_of(record()), plain)
    for path, is_marked in ((out, True), (plain, False)):
        folder = tmp_path / path.stem
        folder.mkdir()
        for picture in pictures(path, folder):
            marked = solid_grey(picture[..., 0])
            assert marked.any() == is_marked
            if is_marked:
                down, across = np.nonzero(marked)
                assert np.ptp(down) > 0.7 * marked.shape[0]
                assert np.ptp(across) > 0.8 * marked.shape[1]


def test_pages_are_black_and_white_and_inside_their_margins(job, tmp_path):
    out = tmp_path / "report.pdf"
    write_pdf(job, out)
    inked = []
    for picture in pictures(out, tmp_path):
        assert int(np.ptp(picture.astype(int), axis=2).max()) == 0
        down, across = np.nonzero(picture[..., 0] < 250)
        margin = 0.45 * DPI
        assert down.min() > margin
        assert across.min() > margin
        assert down.max() < picture.shape[0] - margin
        assert across.max() < picture.shape[1] - margin
        inked.append(np.mean(picture < 128))
    # The last page may hold a few lines alone.
    assert min(inked[:-1]) > 0.01
    assert inked[-1] > 0.001


def test_the_preview_shows_the_same_pages(job, tmp_path):
    out = tmp_path / "report.pdf"
    write_pdf(job, out)
    printed = pictures(out, tmp_path)
    shown = [grey(image) for image in pages_of(job, dpi=DPI) if image is not None]
    assert len(shown) == len(printed)
    for one, other in zip(shown, printed, strict=True):
        high, wide = (min(a, b) for a, b in zip(one.shape[:2], other.shape[:2], strict=True))
        # Both blurred over 6 dots: the same ink in the same place, however edges are smoothed.
        blocks = [
            picture[: high // 6 * 6, : wide // 6 * 6, 0]
            .reshape(high // 6, 6, wide // 6, 6)
            .mean(axis=(1, 3))
            for picture in (one, other)
        ]
        assert np.corrcoef(blocks[0].ravel(), blocks[1].ravel())[0, 1] > 0.9


@pytest.mark.parametrize(
    "text", [HOSTILE, "x" * 10_240, "\u05e9\u05dc\u05d5\u05dd " * 1800, "a\n" * 5_000]
)
@pytest.mark.few(1)
def test_no_text_breaks_a_page(tmp_path, text):
    out = tmp_path / "report.pdf"
    count = write_pdf(report_of(hostile(record(), text), HISTORY), out)
    texts = pages_text(out)
    assert len(texts) == count < 60
    for number, page in enumerate(texts, 1):
        assert f"page {number} of {count}" in " ".join(page.split())
    for picture in pictures(out, tmp_path):
        down, across = np.nonzero(picture[..., 0] < 250)
        assert down.max() < picture.shape[0] - 0.4 * DPI
        assert across.max() < picture.shape[1] - 0.4 * DPI


@pytest.mark.parametrize(
    "draw", [drawn, lambda job: list(pages_of(job, dpi=DPI))], ids=["pdf", "preview"]
)
def test_a_fault_in_the_midst_of_a_page_ends_what_paints_it(job, monkeypatch, draw):
    """A painter that outlived its page would take the process down, some time later."""
    seen = []

    def fail(painter, *_):
        seen.append(painter)
        raise ValueError("no such figure")

    monkeypatch.setattr(pdf, "_paint", fail)
    with pytest.raises(ValueError, match="no such figure"):
        draw(job)
    (painter,) = seen
    assert not painter.isActive()


def test_what_was_there_stays_when_it_cannot_be_replaced(job, tmp_path, monkeypatch):
    out = tmp_path / "report.pdf"
    out.write_text("before")

    def refuse(*_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("os.replace", refuse)
    with pytest.raises(PermissionError):
        write_pdf(job, out)
    assert out.read_text() == "before"
    assert [each.name for each in tmp_path.iterdir()] == ["report.pdf"]
