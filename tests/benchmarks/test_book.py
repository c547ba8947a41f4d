"""The benchmarks of the book, on a small one: they run, and no query grows with the book."""

from app.book.store import Book
from tests.app.book.jobs import entry
from tests.benchmarks import book as benchmark


def small(monkeypatch):
    monkeypatch.setattr(benchmark, "DRIVES", 8)
    monkeypatch.setattr(benchmark, "JOBS", 3)


def test_the_table_is_printed(monkeypatch):
    small(monkeypatch)
    said = []
    benchmark.report(said.append)
    assert "history of 3 jobs" in said[0]


def test_a_measurement_is_stored_without_a_look_at_other_jobs(monkeypatch, tmp_path):
    small(monkeypatch)
    path = tmp_path / "book.sqlite3"
    benchmark._fill(path)
    with Book(path) as book:
        number = book.numbers()[-1]
        asked = []
        book._db.set_trace_callback(asked.append)
        book.keep(number, entry(1))
        book._db.set_trace_callback(None)
    looks = [each for each in asked if each.startswith("SELECT")]
    assert looks
    assert [each for each in looks if f"= {number}" not in each] == []
