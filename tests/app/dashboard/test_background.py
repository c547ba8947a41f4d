"""What the window asks of the book beside itself."""

from app.book.store import Book
from app.dashboard.background import BookWorker
from tests.app.bench import until
from tests.app.book.jobs import DRIVE, filled


def test_a_book_that_may_only_be_read_is_shown_and_not_changed(tmp_path, monkeypatch):
    path = tmp_path / "book.sqlite3"
    with Book(path) as book:
        number = filled(book)
    before = path.read_bytes()
    monkeypatch.setattr("app.book.store._is_writable", lambda path: False)
    worker, answers, said = BookWorker(path), [], []

    def refreshed():
        said.append(worker.refresh())
        return not worker.busy

    worker.ask("drives", Book.drives, answers.append)
    until(refreshed, "an answer")
    assert (answers[0][0].drive, any(said)) == (DRIVE, False)
    worker.ask("describe", lambda book: book.describe_job(number, {}), answers.append)
    until(refreshed, "a refusal")
    assert "it cannot be written to; give yourself the right to" in said[-1]
    assert len(answers) == 1
    assert (path.read_bytes(), list(tmp_path.iterdir())) == (before, [path])
