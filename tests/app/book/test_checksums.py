"""A bit that a disk has flipped in what was kept is told, wherever it is."""

import sqlite3
import zlib

import pytest

from app.book.model import BookError
from app.book.schema import checksum, migrate
from app.book.store import Book
from tests.app.book.jobs import DRIVE, filled, standing

# What of each table says nothing of its rows: where they stand, and the sum itself.
BESIDE = {"id", "number", "checksum"}


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """What the file of a book holds, in which every column of every table has something."""
    path = tmp_path_factory.mktemp("whole") / "book.sqlite3"
    with Book(path) as book:
        number = filled(book)
        book.keep(number, standing())
        book.describe_job(number, {"customer": "hall 2"})
        book.change_drive(DRIVE.identity, note="hall 3")
        book.check()
    return path.read_bytes()


@pytest.fixture
def path(tmp_path, whole):
    path = tmp_path / "book.sqlite3"
    path.write_bytes(whole)
    return path


def columns():
    with sqlite3.connect(":memory:") as db:
        db.create_function("checksum", -1, checksum)
        db.isolation_level = None
        migrate(db, "memory")
        return [
            (table, name)
            for table in ("drives", "jobs", "takings", "outcomes")
            for _, name, *_ in db.execute(f"PRAGMA table_info({table})")
            if name not in BESIDE
        ]


def flip(path, table, column, bit):
    """Flip a bit of the first row's value, as it stands in the file, past all triggers."""
    with sqlite3.connect(path) as db:
        triggers = db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for (name,) in triggers:
            db.execute(f"DROP TRIGGER {name}")
        value, kind = db.execute(
            f"SELECT CAST({column} AS BLOB), typeof({column}) FROM {table} LIMIT 1"
        ).fetchone()
        if kind == "integer":
            new = int(value) ^ (1 << bit % 4)
        else:
            spoilt = bytearray(value or b"\0")
            spoilt[bit // 8 % len(spoilt)] ^= 1 << bit % 8
            new = bytes(spoilt)
        cast = {"text": "CAST(? AS TEXT)"}.get(kind, "?")
        first = f"(SELECT min(rowid) FROM {table})"
        db.execute("PRAGMA foreign_keys = OFF")
        db.execute(f"UPDATE {table} SET {column} = {cast} WHERE rowid = {first}", (new,))
    db.close()


@pytest.mark.parametrize(("table", "column"), columns())
def test_a_flipped_bit_is_told(path, whole, table, column):
    for bit in (0, 7, 37):
        path.write_bytes(whole)
        flip(path, table, column, bit)
        with pytest.raises(BookError, match="damaged"), Book(path) as book:
            book.check()


def test_a_damaged_job_is_not_made_to_look_sound_by_what_is_added(path):
    flip(path, "jobs", "profile_values", 20)
    with Book(path) as book:
        with pytest.raises(BookError, match="job 1 is not as it was kept"):
            book.keep(1, standing())
        with pytest.raises(BookError, match="job 1 is not as it was kept"):
            book.close_job(1, "2026-03-02T11:00:00+01:00", 0)


def test_a_record_that_is_not_found_is_missed(path):
    """An index that has lost its place finds none of a job's measurements."""
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA writable_schema = ON")
        other = "SELECT rootpage FROM sqlite_master WHERE name = 'outcomes_of_a_job'"
        where = "name = 'takings_of_a_job'"
        db.execute(f"UPDATE sqlite_master SET rootpage = ({other}) WHERE {where}")
    db.close()
    with Book(path) as book, pytest.raises(BookError, match="job 1: something of it is missing"):
        book.job(1)


def test_a_job_whose_drive_is_nowhere_is_told(path):
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA writable_schema = ON")
        db.execute("UPDATE sqlite_master SET rootpage = rootpage + 1 WHERE name = 'drives'")
    db.close()
    with Book(path) as book, pytest.raises(BookError, match="damaged"):
        book.job(1)


def test_a_damaged_drive_is_not_made_to_look_sound_by_a_new_note(path):
    flip(path, "drives", "note", 3)
    with Book(path) as book, pytest.raises(BookError, match="not as it was kept"):
        book.change_drive(DRIVE.identity, profile="130mm-96tpi")


def test_the_sum_is_that_of_the_standard():
    # The check value of CRC-32: of the digits 1 to 9 it is CBF43926 (catalogue of parametrised
    # CRC algorithms, from memory); here each value stands behind its length.
    assert zlib.crc32(b"123456789") == 0xCBF43926
    assert checksum(b"123", b"456") == zlib.crc32(b"3;1233;456")


def test_values_that_only_move_from_one_to_the_next_have_another_sum():
    sums = [
        checksum(*values) for values in ([b"ab", b"c"], [b"a", b"bc"], [None, b""], [b"", None])
    ]
    assert len(set(sums)) == len(sums)
