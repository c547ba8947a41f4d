"""The page on which a job is described: who did it, for whom, on what, and with what."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QWidget

from app.book.model import JobRecord
from app.book.store import Book
from app.dashboard.background import BookWorker
from app.dashboard.forms import FieldGrid, Hint
from app.dashboard.text import translate
from app.dashboard.widgets import FILLS, Field, Page, TouchButton, button_row
from app.job.model import DESCRIPTIONS
from app.report.wording import begun

_MOST_TYPED = 2000


class DescribePage(Page):
    """A field for each description of a job; what is measured cannot be changed here.

    `book` is the job book's file, the user's own when None.
    """

    saved = Signal()
    """What was typed is in the book."""

    def __init__(self, book: Path | None, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._worker = BookWorker(book)
        self._number: int | None = None
        self._title.setText(self.tr("Who, for whom, on what, with what"))
        self.fields: dict[str, Field] = {}
        form = FieldGrid(self)
        for name, hint in DESCRIPTIONS:
            words, about = begun(translate("messages", name)), translate("messages", hint)
            field = self.fields[name] = Field(words, about, self)
            field.setMaxLength(_MOST_TYPED)
            field.returnPressed.connect(self.save)
            form.add_field(words, field, Hint(field, about))
        keep = self.tr("Keep what is typed; it can be changed until the job is closed")
        buttons = button_row(
            TouchButton(self.tr("Keep"), "⏎", keep, self.save, self, is_next=True),
            TouchButton(self.tr("Back"), "Esc", self.tr("Go back"), self.back.emit, self),
        )
        self._lay_scrolling((self._title, form, self._status, FILLS), buttons)

    def activate(self, number: int) -> None:
        """Show how a job is described by now."""
        self._number = None
        for field in self.fields.values():
            field.clear()
        self.say(self.tr("Reading the book …"))
        next(iter(self.fields.values())).setFocus()
        self._worker.ask("job", lambda book: book.job(number), self._take)

    def refresh(self) -> None:
        """Show what the book has answered."""
        said = self._worker.refresh()
        if said:
            self.say(said)

    def save(self) -> None:
        """Keep what is typed."""
        number = self._number
        if number is None:
            return
        said = {name: field.text().strip() for name, field in self.fields.items()}

        def keep(book: Book) -> None:
            book.describe_job(number, said)

        self._worker.ask("describe", keep, lambda _: self.saved.emit())

    def _take(self, record: JobRecord) -> None:
        self._number = record.number
        for name, said in record.head.conditions:
            if name in self.fields:
                self.fields[name].setText(said)
        self.say(self.tr("The job is closed: its descriptions stand.") if record.closed_at else "")
