"""The job book as the window reads it: beside the window, which never waits for a disk.

Threads: *shelf* opens the book, does one thing with it and ends; it is started anew for each. Its
result is taken on the window's timer, and only that of the newest question.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from app.records.book import Book
from app.records.fault import BookError

Question = Callable[[Book], Any]


class Shelf:
    """Asks a book, one kind of question at a time.

    Parameters
    ----------
    path : Path or None
        The book's file; the user's own when None.
    """

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._asked: dict[str, tuple[Future[Any], Callable[[Any], None]]] = {}

    @property
    def busy(self) -> bool:
        """Whether an answer is still to come."""
        return bool(self._asked)

    def ask(self, kind: str, question: Question, answered: Callable[[Any], None]) -> None:
        """Ask; a question of the same kind that is still open is forgotten.

        Parameters
        ----------
        kind : str
            Only the newest of a kind is answered.
        question : callable
            Gets the open book, in another thread.
        answered : callable
            Gets the answer, in the window's thread, from :meth:`follow`.
        """
        future: Future[Any] = Future()
        self._asked[kind] = (future, answered)

        def look() -> None:
            try:
                with Book(self._path) as book:
                    future.set_result(question(book))
            except Exception as fault:
                future.set_exception(fault)

        threading.Thread(target=look, name="shelf", daemon=True).start()

    def follow(self) -> str | None:
        """Take over what has been answered; returns a sentence when something failed.

        An empty one says that all went well, None that nothing has been answered.
        """
        said = None
        for kind, (future, answered) in list(self._asked.items()):
            if not future.done():
                continue
            del self._asked[kind]
            fault = future.exception()
            if fault is None:
                said = said or ""
                answered(future.result())
            elif isinstance(fault, BookError):
                said = str(fault)
            else:
                raise fault
        return said
