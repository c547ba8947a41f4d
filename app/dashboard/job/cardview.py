"""The card of a job: what is asked in large words, where it is answered, and the large button."""

from __future__ import annotations

from PySide6.QtCore import QRectF, Qt, Signal
from PySide6.QtGui import QColor, QKeyEvent, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

from app.dashboard.buttons import TouchButton
from app.dashboard.fields import ENTERS, Field, is_enter
from app.dashboard.job.card import Card
from app.dashboard.lettering import FittedText
from app.dashboard.theme import LIGHT, Sizes, Theme

_MOST_TYPED = 2000


class Entry(Field):
    """A field that leaves to the window: Backspace while it is empty, and Enter with Shift."""

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Take the key, unless it has nothing to do here."""
        lends = event.key() in ENTERS and not is_enter(event)
        if lends or (event.key() == Qt.Key.Key_Backspace and not self.text()):
            event.ignore()
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


class CardView(QWidget):
    """Shows a card, and takes its answer."""

    answered = Signal(str)
    """Go on: with what stands in the entry, or the choice that was pressed."""
    released = Signal()
    """Nothing is typed or chosen here any more: the keys go back to the needle."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._card = Card()
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
        self.entry = Entry(self)
        self.entry.setMaxLength(_MOST_TYPED)
        self.entry.setAccessibleName(self.tr("Answer"))
        self.entry.setAccessibleDescription(self.tr("Enter takes it; empty where it is not known"))
        self.entry.returnPressed.connect(self.go_on)
        self._choices: list[TouchButton] = []
        self.button = TouchButton(
            self.tr("Go on"), "⏎", self.tr("Do the next thing"), self.go_on, self
        )
        self.button.set_next(True)
        self._choice_row = QHBoxLayout()
        self._column = QVBoxLayout(self)
        self._column.setContentsMargins(0, 0, 0, 0)
        for part, stretch in (
            (self._title, 3),
            (self._words, 9),
            (self._figure, 5),
            (self._live, 5),
            (self._progress, 0),
            (self._remark, 5),
            (self.entry, 0),
        ):
            self._column.addWidget(part, stretch)
        self._column.addLayout(self._choice_row)
        self._column.addWidget(self.button)

    @property
    def card(self) -> Card:
        """What is shown."""
        return self._card

    def dress(self, theme: Theme, sizes: Sizes, gap: int) -> None:
        """Take on colours, sizes, and the gap between the parts."""
        text = sizes.text_px
        self._title.set_size(round(text * 1.2), bold=True)
        self._words.set_size(round(text * 1.5))
        self._figure.set_size(round(text * 2.6), bold=True)
        self._live.set_size(round(text * 1.2))
        self._remark.set_size(text)
        self._progress.dress(theme, sizes)
        self.button.setFixedHeight(round(sizes.touch_px * 1.3))
        for layout in (self._column, self._choice_row):
            layout.setSpacing(gap)

    def go_on(self) -> None:
        """Answer with what stands in the entry."""
        self.answered.emit(self.entry.text() if self._card.entry is not None else "")

    def take_focus(self) -> bool:
        """Take the keys where something is typed or chosen; returns whether it is."""
        if self._card.entry is not None:
            self.entry.setFocus()
        elif self._choices:
            self._choices[0].setFocus()
        else:
            return False
        return True

    def show_remark(self, words: str) -> None:
        """Show a remark below the words, or none."""
        self._remark.say(words)
        self._remark.setVisible(bool(words))

    def show_card(self, card: Card) -> None:
        """Show a card; only what has changed is touched."""
        before, self._card = self._card, card
        if card == before:
            return
        self._title.say(card.title)
        self._words.say(card.words)
        for part, words in ((self._figure, card.figure), (self._live, card.live)):
            part.say(words)
            part.setVisible(bool(words))
        self._progress.setVisible(card.part is not None)
        self._progress.show_part(card.part or 0.0)
        self.button.say(card.button)
        self.button.setVisible(bool(card.button) and not card.choices)
        self.button.setEnabled(card.part is None)
        asked, was_asked = (
            (each.entry, each.choices, each.title, each.words) for each in (card, before)
        )
        if asked != was_asked:
            self._make_ready(card)

    def _make_ready(self, card: Card) -> None:
        """Make ready for typing or choosing, where that is asked for."""
        had_focus = self.entry.hasFocus() or any(each.hasFocus() for each in self._choices)
        for button in self._choices:
            self._choice_row.removeWidget(button)
            button.hide()
            button.deleteLater()
        self._choices = [self._choice(words) for words in card.choices]
        self.entry.clear()
        self.entry.setVisible(card.entry is not None)
        self.entry.setPlaceholderText(card.entry or "")
        if self.isVisible() and not self.take_focus() and had_focus:
            self.released.emit()

    def _choice(self, words: str) -> TouchButton:
        button = TouchButton(words, "", words, lambda: self.answered.emit(words), self)
        self._choice_row.addWidget(button)
        button.show()
        return button
