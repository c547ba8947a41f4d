"""Work beside the window, which never waits for a disk or a device: one thread for each piece.

Threads: each piece of work has a daemon thread of its own, which ends with it. What it returns is
taken by the window's timer.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any, TypeVar

from app.book.model import BookError
from app.book.store import Book, may_only_be_read

T = TypeVar("T")


def in_background(name: str, work: Callable[[], T]) -> Future[T]:
    """Do something in a thread called `name`; the future holds what it returned or raised."""
    future: Future[T] = Future()

    def run() -> None:
        try:
            future.set_result(work())
        except Exception as fault:
            future.set_exception(fault)

    threading.Thread(target=run, name=name, daemon=True).start()
    return future


class BookWorker:
    """Asks a job book (the user's own where `path` is None), one kind of question at a time."""

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._asked: dict[str, tuple[Future[Any], Callable[[Any], None]]] = {}

    @property
    def busy(self) -> bool:
        """Whether an answer is still to come."""
        return bool(self._asked)

    def ask(self, kind: str, question: Callable[[Book], T], answered: Callable[[T], None]) -> None:
        """Ask, and forget an open question of the same kind.

        Parameters
        ----------
        kind : str
            Only the newest question of a kind is answered.
        question : callable
            Gets the open book, in another thread.
        answered : callable
            Gets the answer, in the window's thread, from :meth:`refresh`.
        """

        def work() -> T:
            with Book(self._path, to_read=may_only_be_read(self._path)) as book:
                return question(book)

        self._asked[kind] = (in_background("book-question", work), answered)

    def refresh(self) -> str:
        """Hand on the answers that have come; return a sentence where the book has refused.

        Raises
        ------
        Exception
            What a question raised that is no refusal of the book.
        """
        said = ""
        for kind, (future, answered) in list(self._asked.items()):
            if not future.done():
                continue
            del self._asked[kind]
            fault = future.exception()
            if fault is None:
                answered(future.result())
            elif isinstance(fault, BookError):
                said = str(fault)
            else:
                raise fault
        return said
