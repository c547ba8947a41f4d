"""The book's own thread: nobody waits for it, and what it cannot write it keeps until it can."""

import sqlite3
import threading
import time
from contextlib import contextmanager
from dataclasses import replace

from app.book.model import BookError
from app.book.store import Book
from app.book.writer import JobWriter
from app.job.job import Job
from tests.app.book.jobs import DRIVE, HEAD, entry, now, outcome
from tests.app.job.hands import PROFILE


def begun(path):
    return JobWriter(DRIVE, HEAD, now, path=path)


def until(true, seconds=20.0):
    end_s = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end_s
        time.sleep(0.01)


def test_a_book_that_is_removed_while_in_use_is_told_and_gone_on_with_once_it_is_back(tmp_path):
    path, aside = tmp_path / "book.sqlite3", tmp_path / "aside.sqlite3"
    writer = begun(path)
    assert writer.flush(20.0)
    path.rename(aside)
    writer.keep(entry(1))
    until(lambda: "moved or removed" in writer.fault)
    assert "put it back" in writer.fault
    aside.rename(path)
    assert writer.flush(20.0)
    assert writer.fault == ""
    writer.finish()
    with Book(path) as book:
        assert len(book.job(writer.number).entries) == 1


def test_a_job_is_kept_as_it_goes(tmp_path):
    path = tmp_path / "book.sqlite3"
    writer = begun(path)
    writer.keep(entry(1))
    assert writer.flush(20.0)
    with Book(path) as book:
        assert len(book.job(writer.number).entries) == 1
        writer.keep(outcome())
        writer.close(4, "")
        writer.finish()
        record = book.job(writer.number)
    assert (record.closed_at, record.nudges) == (now(), 4)
    assert record.drive == DRIVE
    assert writer.fault == ""
    assert not [thread for thread in threading.enumerate() if thread.name == "book"]


def test_a_second_job_on_a_drive_that_is_known(tmp_path):
    path = tmp_path / "book.sqlite3"
    for number in (1, 2):
        writer = begun(path)
        assert writer.flush(20.0)
        assert writer.number == number
        writer.finish()
    with Book(path) as book:
        assert len(book.history(DRIVE.identity)) == 2


def test_a_book_that_cannot_be_written_is_told_and_taken_up_again(tmp_path):
    (tmp_path / "folder").write_text("in the way")
    path = tmp_path / "folder" / "book.sqlite3"
    writer = begun(path)
    writer.keep(entry(1))
    until(lambda: writer.fault)
    assert "choose another place" in writer.fault
    assert not writer.flush(0.01)
    (tmp_path / "folder").unlink()
    assert writer.flush(20.0)
    assert writer.fault == ""
    writer.finish()
    with Book(path) as book:
        assert len(book.job(1).entries) == 1


def test_what_can_never_be_kept_is_told_and_the_rest_is_kept(tmp_path):
    path = tmp_path / "book.sqlite3"
    writer = begun(path)
    writer.keep(replace(entry(1), label="\ud800"))
    writer.keep(entry(2))
    assert writer.flush(20.0)
    assert "cannot be kept" in writer.fault or "none that can be kept" in writer.fault
    writer.finish()
    with Book(path) as book:
        assert [each.label for each in book.job(1).entries] == [entry(2).label]


def test_a_damaged_book_is_told_by_its_thread_and_gone_on_with_once_it_is_whole(tmp_path):
    path = tmp_path / "book.sqlite3"
    Book(path).close()
    whole = path.read_bytes()
    # A table's name and statement in the first page: SQLite's complaint quotes the name.
    spoilt = whole.replace(b"tabledrivesdrives", b"table\xff\xfe\xfd\xfc\xfb\xfadrives")
    path.write_bytes(spoilt.replace(b"CREATE TABLE drives", b"CREATE NOTHING what"))
    writer = begun(path)
    writer.keep(entry(1))
    until(lambda: writer.fault)
    assert "damaged" in writer.fault
    path.write_bytes(whole)
    assert writer.flush(20.0)
    writer.finish()
    with Book(path) as book:
        assert len(book.job(1).entries) == 1


def test_a_fault_of_the_program_s_own_is_told_and_the_rest_is_kept(tmp_path, monkeypatch):
    path = tmp_path / "book.sqlite3"
    keep = Book.keep

    def failing(book, number, *what):
        if what[0].value == 1.0:
            raise ZeroDivisionError("division by nothing")
        keep(book, number, *what)

    monkeypatch.setattr(Book, "keep", failing)
    writer = begun(path)
    writer.keep(outcome(1.0))
    writer.keep(outcome(2.0))
    assert writer.flush(20.0)
    assert "ZeroDivisionError: division by nothing" in writer.fault
    writer.finish()
    with Book(path) as book:
        assert [each.value for each in book.job(1).outcomes] == [2.0]


def test_a_first_commit_that_fails_loses_no_job(tmp_path, monkeypatch):
    path = tmp_path / "book.sqlite3"
    whole, fails = Book.whole, [True]

    @contextmanager
    def failing(book):
        with whole(book):
            yield
            if fails:
                fails.clear()
                raise BookError("the disk is full")

    monkeypatch.setattr(Book, "whole", failing)
    writer = begun(path)
    writer.keep(entry(1))
    assert writer.flush(20.0)
    writer.finish()
    with Book(path) as book:
        assert len(book.job(writer.number).entries) == 1


def test_the_end_comes_even_when_nothing_can_be_written(tmp_path):
    (tmp_path / "folder").write_text("in the way")
    writer = begun(tmp_path / "folder" / "book.sqlite3")
    for number in range(5):
        writer.keep(entry(number))
    assert "choose another place" in writer.finish(0.01)
    assert not writer._thread.is_alive()
    assert writer.number is None
    assert not writer.flush(0.01)


def test_a_job_that_is_only_partly_in_the_book_is_reported_whole_and_as_in_none(tmp_path):
    path = tmp_path / "book.sqlite3"
    writer = begun(path)
    writer.keep(entry(1))
    assert writer.flush(20.0)
    with Book(path) as book:
        assert writer.number == book.numbers()[0]
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        writer.keep(entry(2))
        assert writer.finish(0.1)
    finally:
        other.close()
    record, history = writer.record(Job(PROFILE, True, now=now))
    assert [each.label for each in record.entries] == [entry(1).label, entry(2).label]
    # A book's own numbers begin with 1.
    assert (record.number, history) == (0, ())
    assert (writer.number, writer.uid()) == (None, "")
