"""The page of the drives: those in the job book, their history, and where a job begins."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QComboBox,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QListWidgetItem,
    QVBoxLayout,
    QWidget,
)

from app.dashboard.book.pastjobs import WHICH, PastJobs, figure_of
from app.dashboard.book.shelf import Shelf
from app.dashboard.buttons import TouchButton
from app.dashboard.fields import Field, NamedList
from app.dashboard.theme import Sizes, Theme
from app.dashboard.words import translate
from app.records.book import Book, shown
from app.records.coding import MOST_TEXT
from app.records.left import Left
from app.records.model import Drive, Shelved
from app.records.wording import within
from app.stamp import now


class DrivesPage(QWidget):
    """A list of drives with a search, a form for a new one, and the history of the chosen one.

    Parameters
    ----------
    book : Path or None
        The job book's file; the user's own when None.
    profiles : sequence of str
        Names of the drive classes.
    """

    work_on = Signal(str, str)
    """A drive's identity and class: a job is to begin on it."""
    take_up = Signal(Left)
    """An open job is to be gone on with."""
    show_report = Signal(str, int)
    """A drive's identity, and the number of the job whose report is wanted."""
    left = Signal()
    """Back to the needle."""

    def __init__(
        self, book: Path | None, profiles: tuple[str, ...], parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self.setObjectName("page")
        self._shelf = Shelf(book)
        self._fault = ""
        self._title = QLabel(self.tr("Drives in the job book"), self)
        self._title.setProperty("title", True)
        self._status = QLabel(self)
        self._status.setProperty("quiet", True)
        self._status.setWordWrap(True)
        self._status.setTextFormat(Qt.TextFormat.PlainText)
        self._search = self._field(self.tr("Search"), self.tr("Part of a name, class or note"))
        self._search.textChanged.connect(self._look)
        self._search.returnPressed.connect(lambda: self._list.setFocus())
        self._list = NamedList(
            self.tr("Drives"),
            self.tr("Arrows choose, Enter begins a job or goes on with an open one"),
            self,
        )
        self._list.currentItemChanged.connect(self._choose)
        self._list.asked.connect(self.go_on)
        self._identity = self._field(self.tr("New drive"), self.tr("Your own name or number"))
        self._identity.returnPressed.connect(self.add)
        self._profile = QComboBox(self)
        self._profile.addItems(profiles)
        self._profile.setAccessibleName(self.tr("Class of the new drive"))
        self._profile.setAccessibleDescription(self.tr("Its drive class, with the limits"))
        self._note = self._field(self.tr("Note"), self.tr("What else is to be known of it"))
        self._note.returnPressed.connect(self.add)
        self.past = PastJobs(self)
        self.past.activated.connect(self.report)
        self._on, self._anew, *self._others = self._buttons()
        self._on.set_next(True)
        self._build()

    @property
    def status(self) -> str:
        """What is said below the list."""
        return self._status.text()

    @property
    def identities(self) -> list[str]:
        """The drives in the list."""
        items = (self._list.item(row) for row in range(self._list.count()))
        return [item.data(WHICH).drive.identity for item in items]

    def dress(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self.past.dress(theme, sizes)

    def come(self) -> None:
        """Read the book anew."""
        self._list.setFocus()
        self._look()

    def follow(self) -> None:
        """Take over what the book has answered."""
        said = self._shelf.follow()
        if said:
            self._fault = said
            self._status.setText(said)

    def say(self, words: str) -> None:
        """Remark on something, below the list."""
        self._status.setText(words)

    def go_on(self) -> None:
        """Go on with the chosen drive's last job where that is open, else begin one."""
        chosen = self._chosen()
        number = None if chosen is None else chosen.open_job
        if number is None:
            self.begin()
        else:
            self._shelf.ask("left", lambda book: book.left(number), self.take_up.emit)

    def begin(self) -> None:
        """Begin a job on the chosen drive."""
        chosen = self._chosen()
        if chosen is None:
            self._status.setText(self.tr("No drive is chosen; add one below, or choose one."))
            return
        self.work_on.emit(chosen.drive.identity, chosen.drive.profile)

    def add(self) -> None:
        """Add the drive in the form to the book."""
        self._fault = ""
        drive = Drive(
            self._identity.text().strip(), self._profile.currentText(), self._note.text(), now()
        )

        def keep(book: Book) -> Drive:
            book.add_drive(drive)
            return drive

        self._shelf.ask("add", keep, self._added)

    def next_chart(self) -> None:
        """Show the next of the drive's numbers in the chart."""
        if not self.past.next_number():
            self._status.setText(self.tr("There is no job yet, so there is no chart."))

    def report(self) -> None:
        """Show the report of the chosen job, the newest where none is chosen."""
        chosen = self._chosen()
        if chosen is None or chosen.last is None:
            self._status.setText(self.tr("This drive has no job yet, so there is no report."))
            return
        number = self.past.chosen
        self.show_report.emit(
            chosen.drive.identity, chosen.last.number if number is None else number
        )

    def _look(self) -> None:
        words, self._fault = self._search.text(), ""
        self._shelf.ask("drives", lambda book: book.drives(words), self._fill)

    def _fill(self, found: tuple[Shelved, ...]) -> None:
        before = self._chosen()
        self._list.clear()
        for shelved in found:
            item = QListWidgetItem(_line(shelved), self._list)
            item.setData(WHICH, shelved)
            if before is not None and shelved.drive.identity == before.drive.identity:
                self._list.setCurrentItem(item)
        if self._list.currentRow() < 0 and found:
            self._list.setCurrentRow(0)
        if not found:
            self._choose(None)
            self._say_empty()
        else:
            many = self.tr("{0} drives").format(len(found))
            # Answers come in any order: what the book has refused is not to be told over.
            self._status.setText(self._fault or (many if len(found) > 1 else self.tr("One drive")))

    def _say_empty(self) -> None:
        """Say that there is none, and lead to where the first is typed."""
        if self._search.text():
            self._status.setText(self.tr("No drive in the book has that in it."))
            return
        self._status.setText(self.tr("No drive in the book yet: add the first below."))
        if self._list.hasFocus():
            self._identity.setFocus()

    def _added(self, drive: Drive) -> None:
        self._identity.clear()
        self._note.clear()
        self._search.setText("")

        def select(found: tuple[Shelved, ...]) -> None:
            self._fill(found)
            if drive.identity in self.identities:
                self._list.setCurrentRow(self.identities.index(drive.identity))
            # Enter begins its job now, as the button says.
            self._list.setFocus()

        self._shelf.ask("drives", lambda book: book.drives(), select)

    def _choose(self, item: QListWidgetItem | None) -> None:
        chosen = None if item is None else item.data(WHICH)
        self._offer(chosen)
        if chosen is None:
            self.past.show_jobs(())
            return
        self.past.forget()
        identity = chosen.drive.identity
        self._shelf.ask("history", lambda book: book.history(identity), self.past.show_jobs)

    def _offer(self, chosen: Shelved | None) -> None:
        """Offer to go on with an open job before a new one."""
        number = None if chosen is None else chosen.open_job
        if number is None:
            self._on.say(self.tr("Begin a job"))
        else:
            self._on.say(self.tr("Go on with job {0}").format(number))
        self._anew.setVisible(number is not None)

    def _chosen(self) -> Shelved | None:
        item = self._list.currentItem()
        return None if item is None else item.data(WHICH)

    def _field(self, name: str, description: str) -> Field:
        field = Field(self)
        field.setAccessibleName(name)
        field.setAccessibleDescription(description)
        field.setPlaceholderText(description)
        field.setMaxLength(MOST_TEXT)
        return field

    def _build(self) -> None:
        form = QGridLayout()
        for row, (words, field) in enumerate(
            (
                (self.tr("New drive"), self._identity),
                (self.tr("Class"), self._profile),
                (self.tr("Note"), self._note),
            )
        ):
            label = QLabel(words, self)
            label.setBuddy(field)
            form.addWidget(label, row, 0)
            form.addWidget(field, row, 1)
        add = TouchButton(self.tr("Add"), "", self.tr("Add the new drive to the book"), self.add)
        form.addWidget(add, 0, 2)
        left, right = QVBoxLayout(), QVBoxLayout()
        left.addWidget(self._search)
        left.addWidget(self._list, 1)
        left.addWidget(self._status)
        left.addLayout(form)
        right.addWidget(self.past)
        halves = QHBoxLayout()
        halves.addLayout(left, 1)
        halves.addLayout(right, 1)
        buttons = QHBoxLayout()
        for button in (self._on, self._anew, *self._others):
            buttons.addWidget(button)
        buttons.addStretch(1)
        layout = QVBoxLayout(self)
        layout.addWidget(self._title)
        layout.addLayout(halves, 1)
        layout.addLayout(buttons)

    def _buttons(self) -> list[TouchButton]:
        entries: list[tuple[str, str, str, Callable[[], object]]] = [
            (
                self.tr("Begin a job"),
                "⏎",
                self.tr("Begin a job on the chosen drive, or go on with its open one"),
                self.go_on,
            ),
            (
                self.tr("New job"),
                "",
                self.tr("Begin a new job; the open one stays in the book as it is"),
                self.begin,
            ),
            (
                self.tr("Next chart"),
                "",
                self.tr("Show offset, hysteresis or speed in the chart"),
                self.next_chart,
            ),
            (self.tr("Report"), "", self.tr("Show the report of the chosen job"), self.report),
            (self.tr("Back"), "Esc", self.tr("Go back to the needle"), self.left.emit),
        ]
        return [TouchButton(*entry, self) for entry in entries]


def _line(shelved: Shelved) -> str:
    last = shelved.last
    # Names written from right to left leave the words beside them in their places.
    drive = shelved.drive
    words = [within(shown(each)) for each in (drive.identity, drive.profile, drive.note)]
    if last is not None:
        words.append(last.opened_at[:10])
        words.append(figure_of(last.as_left.offset_um or last.as_found.offset_um))
        if shelved.open_job is not None:
            words.append(translate("dashboard", "open"))
    return "    ".join(each for each in words if each)
