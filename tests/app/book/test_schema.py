"""Books of every version open, and those that are not ours are left as they are."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from app.book import schema, store
from app.book.model import BookError
from app.book.store import Book
from tests.app.book.jobs import entry

BOOKS = Path(__file__).parents[3] / "fixtures" / "books"


def old_book(path, version):
    with sqlite3.connect(path) as made:
        made.executescript((BOOKS / f"version-{version}.sql").read_text(encoding="utf-8"))
    made.close()


@pytest.mark.parametrize("version", range(1, len(schema.MIGRATIONS)))
def test_an_older_book_is_brought_up_with_all_that_is_in_it(tmp_path, version):
    path = tmp_path / "book.sqlite3"
    old_book(path, version)
    with Book(path) as book:
        record = book.job(1)
        assert record.drive.identity == "TM-0031 Nordtor"
        assert record.head.conditions == (("room", "21 degC"),)
        assert record.entries[0].values[0].value == 40.0
        assert record.as_found.offset_um.u == 1.5
        assert book._db.execute("PRAGMA user_version").fetchone() == (len(schema.MIGRATIONS),)
        with pytest.raises(sqlite3.IntegrityError):
            book._db.execute("DELETE FROM takings")
        book.keep(1, entry())
        book.check()


def test_a_job_that_has_anything_of_the_virtual_drive_is_marked_so(tmp_path):
    path = tmp_path / "book.sqlite3"
    old_book(path, 4)
    with Book(path) as book:
        assert [job.virtual for job in book.history("TM-0031 Nordtor")] == [True, True]
        assert book.job(2).virtual
        # A closed job stands all the same.
        with pytest.raises(sqlite3.IntegrityError):
            book._db.execute("UPDATE jobs SET virtual = 0 WHERE number = 2")


def test_a_job_that_is_damaged_is_so_in_the_next_version_too(tmp_path):
    path = tmp_path / "book.sqlite3"
    old_book(path, 6)
    with sqlite3.connect(path) as made:
        made.execute("UPDATE jobs SET software = '0.1.8' WHERE number = 1")
    made.close()
    with Book(path) as book:
        assert book.job(2).head.plan == ""
        with pytest.raises(BookError, match="job 1 is not as it was kept"):
            book.job(1)


def test_a_newer_book_is_refused_and_not_touched(tmp_path):
    path = tmp_path / "book.sqlite3"
    Book(path).close()
    with sqlite3.connect(path) as made:
        made.execute("PRAGMA user_version = 99")
    made.close()
    before = path.read_bytes()
    with pytest.raises(BookError, match=r"version 99.*newer"):
        Book(path)
    assert path.read_bytes() == before


def test_another_program_s_database_is_not_touched(tmp_path):
    path = tmp_path / "stock.db"
    with sqlite3.connect(path) as made:
        made.execute("CREATE TABLE parts (name TEXT)")
    made.close()
    before = path.read_bytes()
    with pytest.raises(BookError, match="another program"):
        Book(path)
    assert path.read_bytes() == before


def test_a_migration_that_fails_leaves_the_older_book(tmp_path, monkeypatch):
    path = tmp_path / "book.sqlite3"
    old_book(path, 1)
    broken = (schema.MIGRATIONS[0], "CREATE TABLE extra (a TEXT);\nCREATE NONSENSE;\n")
    monkeypatch.setattr(schema, "MIGRATIONS", broken)
    with pytest.raises(BookError):
        Book(path)
    monkeypatch.undo()
    with Book(path) as book:
        assert book.job(1).entries[0].label == "side 0"
        assert (
            book._db.execute("SELECT name FROM sqlite_master WHERE name='extra'").fetchall() == []
        )


def test_a_book_that_another_window_makes_meanwhile_is_no_other_programs(tmp_path):
    path = tmp_path / "book.sqlite3"
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.create_function("checksum", -1, schema.checksum, deterministic=True)

        def made_by_another(statement):
            if "user_version" in statement:
                db.set_trace_callback(None)
                Book(path).close()

        db.set_trace_callback(made_by_another)
        schema.migrate(db, str(path))
        assert db.execute("PRAGMA user_version").fetchone() == (len(schema.MIGRATIONS),)


def test_a_new_book_is_tried_again_while_another_has_it(tmp_path, monkeypatch):
    path = tmp_path / "book.sqlite3"
    Book(path).close()
    with closing(sqlite3.connect(path, isolation_level=None)) as reader:
        reader.execute("PRAGMA journal_mode = DELETE")
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM drives").fetchone()
        monkeypatch.setattr(store, "_BUSY_S", 0.05)
        monkeypatch.setattr(store.time, "sleep", lambda _: reader.execute("ROLLBACK"))
        with Book(path) as book:
            assert book._db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert not reader.in_transaction
