"""The command ``report``: what it writes, and the one sentence where it cannot."""

import builtins
import os
import subprocess
import sys

import pytest

from app.book.store import Book
from app.cli.arguments import UsageFault
from app.cli.book import write_report
from app.cli.main import BAD_INPUT, OK, run
from tests.app.book.jobs import no_file_longer_than
from tests.app.book.museum import HISTORY, record

pytestmark = pytest.mark.usefixtures("qapp")


@pytest.fixture
def book(tmp_path):
    """Return a book with one drive and its job, and one drive without."""
    path = tmp_path / "book.sqlite3"
    job = record()
    with Book(path) as kept:
        kept.add_drive(job.drive)
        number = kept.open_job(job.drive.identity, job.head)
        for entry in job.entries:
            kept.keep(number, entry)
        for outcome in job.outcomes:
            kept.keep(number, outcome)
        kept.close_job(number, job.closed_at, job.nudges)
        kept.add_drive(type(job.drive)("machine 8, lower", "130mm-48tpi"))
    return path


def command(book, out, *more, drive="machine 7, upper"):
    return run(["report", "--book", str(book), "--drive", drive, "--out", str(out), *more])


@pytest.mark.parametrize(("ending", "begins"), [("html", b"<!DOCTYPE html>"), ("PDF", b"%PDF-")])
def test_the_newest_job_is_written(book, tmp_path, capsys, ending, begins):
    out = tmp_path / f"report.{ending}"
    assert command(book, out, "--paper", "letter") == OK
    assert out.read_bytes().startswith(begins)
    assert capsys.readouterr().out == f"{out}: the report of job 1\n"


def test_a_report_from_the_book_is_the_record_s(book, tmp_path):
    out, direct = tmp_path / "book.html", tmp_path / "direct.html"
    assert command(book, out) == OK
    with Book(book) as kept:
        write_report(kept.job(1), kept.history("machine 7, upper"), direct)
    assert out.read_bytes() == direct.read_bytes()
    assert "Job 12" not in out.read_text()


@pytest.mark.parametrize(
    ("name", "more", "drive", "said"),
    [
        ("r.pdf", (), "machine 9", "drive “machine 9” is not in the book"),
        ("r.pdf", (), "machine 8, lower", "has no job in the book"),
        ("r.pdf", ("--job", "5"), "machine 7, upper", "has no job 5; its newest are 1"),
        ("r.txt", (), "machine 7, upper", "its ending is not known; end it in .html or .pdf"),
        ("r", (), "machine 7, upper", "its ending is not known"),
        ("no/r.pdf", (), "machine 7, upper", "its folder is not there; make it"),
        ("folder.pdf", (), "machine 7, upper", "this is a folder; choose another name"),
        ("old.html", (), "machine 7, upper", "it exists already; choose another name"),
        (f"{'n' * 300}.pdf", (), "machine 7, upper", "File name too long; choose another place"),
    ],
)
def test_what_cannot_be_is_one_sentence(book, tmp_path, capsys, name, more, drive, said):
    (tmp_path / "old.html").write_text("before")
    (tmp_path / "folder.pdf").mkdir()
    assert command(book, tmp_path / name, *more, drive=drive) == BAD_INPUT
    told = capsys.readouterr()
    assert told.out == ""
    assert said in told.err
    assert told.err.count("\n") == 1
    assert (tmp_path / "old.html").read_text() == "before"


@pytest.mark.few(1)
@pytest.mark.parametrize("named", [{}, {"QT_QPA_PLATFORM": "xcb"}])
def test_a_pdf_needs_no_display(book, tmp_path, named):
    out = tmp_path / "report.pdf"
    away = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
    bare = {name: value for name, value in os.environ.items() if name not in away} | named
    words = ["--book", book, "--drive", "machine 7, upper", "--out", out]
    done = subprocess.run(
        [sys.executable, "-m", "app", "report", *words],
        env=bare,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert (done.returncode, done.stderr) == (OK, "")
    assert out.read_bytes().startswith(b"%PDF-")


def test_overwrite_replaces(book, tmp_path):
    out = tmp_path / "old.html"
    out.write_text("before")
    assert command(book, out, "--overwrite") == OK
    assert out.read_text().startswith("<!DOCTYPE html>")


def test_a_book_that_is_not_there_is_not_made(tmp_path, capsys):
    assert command(tmp_path / "none.sqlite3", tmp_path / "r.html") == BAD_INPUT
    assert "there is none; name another with --book" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_a_book_s_name_that_no_disk_takes(tmp_path, capsys):
    assert command(tmp_path / ("n" * 300), tmp_path / "r.html") == BAD_INPUT
    assert "File name too long" in capsys.readouterr().err


@pytest.mark.parametrize("ending", ["html", "pdf"])
def test_a_disk_that_gets_full_leaves_what_was_there(tmp_path, ending):
    out = tmp_path / f"r.{ending}"
    out.write_text("before")
    with (
        no_file_longer_than(8192),
        pytest.raises(UsageFault, match="File too large; choose another place"),
    ):
        write_report(record(), HISTORY, out, overwrite=True)
    assert out.read_text() == "before"
    assert list(tmp_path.iterdir()) == [out]


@pytest.mark.parametrize("ending", ["html", "pdf"])
def test_a_folder_that_may_not_be_written_to(tmp_path, monkeypatch, ending):
    def refuse(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("tempfile.mkstemp", refuse)
    with pytest.raises(UsageFault, match="Permission denied; choose another place"):
        write_report(record(), HISTORY, tmp_path / f"r.{ending}")


def test_without_qt_s_libraries_a_page_is_offered(tmp_path, monkeypatch):
    found = builtins.__import__

    def without(name, *rest):
        if name == "app.report.pdf":
            raise ImportError("libEGL.so.1: cannot open shared object file")
        return found(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(UsageFault, match=r"a PDF needs Qt \(libEGL.so.1.*write FILE.html instead"):
        write_report(record(), HISTORY, tmp_path / "r.pdf")
    write_report(record(), HISTORY, tmp_path / "r.html")
