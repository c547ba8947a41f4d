"""The job beside the needle: the card with what is asked, and the list of checks below it."""

from __future__ import annotations

from PySide6.QtCore import QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QKeyEvent, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import (
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from app.dashboard.buttons import TouchButton
from app.dashboard.jobcard import Card, card_of
from app.dashboard.jobdesk import Desk
from app.dashboard.joblist import CheckList
from app.dashboard.jobwords import done_words, rows_of
from app.dashboard.lettering import FittedText
from app.dashboard.theme import LIGHT, Sizes, Theme
from app.dashboard.words import current_reading
from app.records.wording import clean, within
from app.view import View

_MOST_TYPED = 2000


class Entry(QLineEdit):
    """A field that leaves to the window: Backspace while it is empty, and Enter with Shift."""

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Take the key, unless it has nothing to do here."""
        enters = event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter)
        lends = enters and bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
        if lends or (event.key() == Qt.Key.Key_Backspace and not self.text()):
            event.ignore()
        elif enters:
            # Qt would pass it on as well, and it would answer the next ask too.
            self.returnPressed.emit()
        else:
            super().keyPressEvent(event)


class Progress(QWidget):
    """How far a measurement has come, as a bar."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme: Theme = LIGHT
        self._part = 0.0
        self.setAccessibleName(self.tr("Measured so far"))

    def dress(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._theme = theme
        self.setFixedHeight(max(8, round(sizes.px(14))))

    def show_part(self, part: float) -> None:
        """Show how far it is, 0 to 1."""
        if part != self._part:
            self._part = part
            self.setAccessibleDescription(f"{100 * part:.0f} %")
            self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Paint the bar."""
        painter = QPainter(self)
        box = QRectF(self.rect()).adjusted(0.5, 0.5, -0.5, -0.5)
        painter.setPen(QPen(QColor(self._theme.line), 1))
        painter.setBrush(QColor(self._theme.face))
        painter.drawRect(box)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(self._theme.second))
        painter.drawRect(QRectF(box.left(), box.top(), box.width() * self._part, box.height()))
        painter.end()


class JobPane(QWidget):
    """The column of the job; seen only while there is one.

    Parameters
    ----------
    desk : Desk
        The job, and what can be done with it.
    """

    released = Signal()
    """Nothing is typed or chosen here any more: the keys go back to the needle."""

    def __init__(self, desk: Desk, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.desk = desk
        self._card = Card()
        self._theme: Theme = LIGHT
        self._sizes = Sizes(1.0)
        self._head = QLabel(self)
        self._head.setTextFormat(Qt.TextFormat.PlainText)
        self._head.setProperty("quiet", True)
        self._head.setAccessibleName(self.tr("Drive and job"))
        # Its words never widen the column.
        self._head.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self._title = FittedText(self)
        self._words = FittedText(self)
        self._figure = FittedText(self)
        self._live = FittedText(self)
        self._remark = FittedText(self)
        for part, name in (
            (self._title, self.tr("Check in hand")),
            (self._words, self.tr("What is asked")),
            (self._figure, self.tr("Next nudge")),
            (self._live, self.tr("How far it is")),
            (self._remark, self.tr("Remark")),
        ):
            part.setAccessibleName(name)
        self._progress = Progress(self)
        self._entry = Entry(self)
        self._entry.setMaxLength(_MOST_TYPED)
        self._entry.setAccessibleName(self.tr("Answer"))
        self._entry.setAccessibleDescription(self.tr("Enter takes it; empty where it is not known"))
        self._entry.returnPressed.connect(self.go_on)
        self._choices: list[TouchButton] = []
        self.list = CheckList(self)
        self.list.looked_at.connect(desk.choose)
        self.list.taken_up.connect(self.go_on)
        self._on = TouchButton(
            self.tr("Go on"), "⏎", self.tr("Do the next thing"), self.go_on, self
        )
        self._on.setObjectName("jobon")
        self._on.set_next(True)
        self._lend = TouchButton(
            self.tr("Virtual hand"),
            "⇧⏎",
            self.tr("Virtual drive: let the virtual hand do what is asked"),
            desk.by_virtual_hand,
            self,
        )
        self._back = TouchButton(
            self.tr("Back"), "⌫", self.tr("Take back the last answer"), desk.back, self
        )
        self._skip = TouchButton(
            self.tr("Leave out"),
            "F8",
            self.tr("Leave out this check, for a reason"),
            desk.skip,
            self,
        )
        self._end = TouchButton(
            self.tr("Close job"), "⇧F8", self.tr("Close the job"), desk.close, self
        )
        self._lay_out()
        desk.changed.connect(self.refresh)
        self.refresh()

    def _lay_out(self) -> None:
        self._choice_row = QHBoxLayout()
        ways = QGridLayout()
        for place, button in enumerate((self._lend, self._back, self._skip, self._end)):
            ways.addWidget(button, place // 2, place % 2)
        self._ways = ways
        card = QVBoxLayout()
        for part, stretch in (
            (self._title, 3),
            (self._words, 9),
            (self._figure, 5),
            (self._live, 5),
            (self._progress, 0),
            (self._remark, 5),
            (self._entry, 0),
        ):
            card.addWidget(part, stretch)
        card.addLayout(self._choice_row)
        card.addWidget(self._on)
        self._box = card
        whole = QVBoxLayout(self)
        whole.addWidget(self._head)
        whole.addLayout(card, 50)
        whole.addLayout(ways)
        whole.addWidget(self.list, 50)
        self._whole = whole

    @property
    def card(self) -> Card:
        """What is shown."""
        return self._card

    @property
    def entry(self) -> QLineEdit:
        """Where the person types."""
        return self._entry

    def minimumSizeHint(self) -> QSize:  # noqa: N802
        """Return the least room: the needle's words go before the job's."""
        return QSize(260, 300)

    def focus_order(self) -> list[QWidget]:
        """Return what the keyboard reaches, in the order of the eye."""
        return [
            self._entry,
            self._on,
            self._lend,
            self._back,
            self._skip,
            self._end,
            self.list,
        ]

    def dress(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._theme, self._sizes = theme, sizes
        text = sizes.text_px
        self._title.set_size(round(text * 1.2), bold=True)
        self._words.set_size(round(text * 1.5))
        self._figure.set_size(round(text * 2.6), bold=True)
        self._live.set_size(round(text * 1.2))
        self._remark.set_size(text)
        self._progress.dress(theme, sizes)
        self._on.setFixedHeight(round(sizes.touch_px * 1.3))
        self.list.dress(theme, sizes)
        gap = max(3, round(sizes.px(6)))
        for layout in (self._whole, self._box, self._ways, self._choice_row):
            layout.setSpacing(gap)
        pad = max(6, round(sizes.px(12)))
        self._whole.setContentsMargins(pad, pad, pad, pad)
        self.update()

    def follow(self, view: View, now_s: float) -> None:
        """Show what goes with the newest view; at the pace of the eye."""
        if self.desk.job is None:
            return
        self.desk.follow(view, now_s)
        self._show_card(card_of(self.desk, current_reading(view, now_s)))

    def refresh(self) -> None:
        """Show the job as it stands."""
        job = self.desk.job
        self.setVisible(job is not None)
        if job is None:
            return
        drive = "" if self.desk.drive is None else within(self.desk.drive.identity, 40)
        parts = [drive, done_words(job), clean(self.desk.fault, 200)]
        self._head.setText("  ·  ".join(filter(None, parts)))
        self._head.setToolTip(self._head.text())
        self.list.show_rows(rows_of(job), self.desk.chosen)
        self._remark.say(clean(self.desk.remark, 400))
        self._remark.setVisible(bool(self.desk.remark))
        self._show_card(card_of(self.desk, None))

    def go_on(self) -> None:
        """Do the next thing."""
        if self._entry.isVisible() or self.desk.writing:
            self.desk.go_on(self._entry.text())
        else:
            self.desk.go_on()

    def _show_card(self, card: Card) -> None:
        before, self._card = self._card, card
        if card == before:
            return
        self._title.say(card.title)
        self._words.say(card.words)
        self._figure.say(card.figure)
        self._live.say(card.live)
        self._figure.setVisible(bool(card.figure))
        self._live.setVisible(bool(card.live))
        self._progress.setVisible(card.part is not None)
        self._progress.show_part(card.part or 0.0)
        self._on.say(card.button)
        self._on.setVisible(bool(card.button) and not card.choices)
        self._on.setEnabled(card.part is None)
        for button, seen in (
            (self._lend, card.may_lend),
            (self._back, card.may_back),
            (self._skip, card.may_skip),
            (self._end, card.may_close),
        ):
            button.setEnabled(seen)
        if (card.entry, card.choices, card.title, card.words) != (
            before.entry,
            before.choices,
            before.title,
            before.words,
        ):
            self._show_entry(card)

    def _show_entry(self, card: Card) -> None:
        """Make ready for typing or choosing, where that is asked for."""
        had_focus = self._entry.hasFocus() or any(each.hasFocus() for each in self._choices)
        for button in self._choices:
            self._choice_row.removeWidget(button)
            button.hide()
            button.deleteLater()
        self._choices = [self._choice(words) for words in card.choices]
        self._entry.clear()
        self._entry.setVisible(card.entry is not None)
        self._entry.setPlaceholderText(card.entry or "")
        if not self.window().isActiveWindow() and not self.isVisible():
            return
        if card.entry is not None:
            self._entry.setFocus()
        elif self._choices:
            self._choices[0].setFocus()
        elif had_focus:
            self.released.emit()

    def _choice(self, words: str) -> TouchButton:
        button = TouchButton(words, "", words, lambda: self.desk.go_on(words), self)
        self._choice_row.addWidget(button)
        button.show()
        return button

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Paint the ground, as that of the other instruments."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        px = self._sizes.px
        painter.setPen(QPen(QColor(self._theme.line), max(1.0, px(1.5))))
        painter.setBrush(QColor(self._theme.face))
        painter.drawRoundedRect(QRectF(self.rect()).adjusted(1, 1, -1, -1), px(10), px(10))
        painter.end()
