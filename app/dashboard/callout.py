"""A card that explains a part of the window: beside it, pointing at it, never over it.

It stops nobody from working on: keys and clicks that it does not know go where they always go. It
comes and goes without any movement.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from PySide6.QtCore import QPoint, QRect, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QKeyEvent, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QApplication, QFrame, QLabel, QVBoxLayout, QWidget

from app.dashboard.style import LIGHT, Theme
from app.dashboard.widgets import FILLS, TouchButton, announce, button_row, laid, named, scrolled

_LETTERS = 46
"""Width of a card, in widths of a letter, where there is room."""
_LEAST_LETTERS = 24
_GAP_PX = 12
_FRAME_PX = 4
_MOST_PART = 0.5
"""Of the room, for a card where what it points at leaves no side free."""
_ARROWS = (Qt.Key.Key_Left, Qt.Key.Key_Right, Qt.Key.Key_Up, Qt.Key.Key_Down)


@dataclass(frozen=True, slots=True)
class Pointer:
    """What a card says, and of which part of the window.

    Attributes
    ----------
    title, words : str
        What is said.
    part : callable
        Returns what it is of: which widget shows it depends on the window's size.
    box : callable or None
        Returns the place within the part, None where it is not seen any more; without it the
        whole part is meant.
    term : str
        Where the handbook has it; empty where it has not.
    """

    title: str
    words: str
    part: Callable[[], QWidget]
    box: Callable[[], QRectF | None] | None = None
    term: str = ""


Asked = tuple[str, Callable[[], None]]
"""What a card asks about: the words of the button that says yes, and what that does."""
HeightFor = Callable[[int], int]
"""Returns the height that a card takes, given its width."""


@dataclass(frozen=True, slots=True)
class Widths:
    """Of a card: what it may not be narrower than, and what it has where there is room."""

    least: int
    usual: int


def beside(target: QRect, room: QRect, widths: Widths, high_for: HeightFor) -> tuple[QRect, QRect]:
    """Return where a card stands beside a target, and what of the target stays free.

    Where no side of the target has room for all of the card it has the largest one, and its words
    scroll; where none is of use it stands over the lower or the upper half of the room, whichever
    leaves more of the target.
    """
    gap = _GAP_PX
    right = QRect(QPoint(target.right() + gap, room.top()), room.bottomRight())
    left = QRect(room.topLeft(), QPoint(target.left() - gap, room.bottom()))
    below = QRect(QPoint(room.left(), target.bottom() + gap), room.bottomRight())
    above = QRect(room.topLeft(), QPoint(room.right(), target.top() - gap))
    sides = [side for side in (right, left, below, above) if side.width() >= widths.least]
    for side in sides:
        wide = min(side.width(), widths.usual)
        if high_for(wide) <= side.height():
            return _within(side, QSize(wide, high_for(wide)), target), target
    half = round(_MOST_PART * room.height())
    tall = [side for side in sides if side.height() >= half]
    if tall:
        side = max(tall, key=lambda each: each.width() * each.height())
        wide = min(side.width(), 2 * widths.usual)
        return _within(side, QSize(wide, high_for(wide)), target), target
    wide = min(room.width(), 2 * widths.usual)
    high = min(high_for(wide), half)
    lower = target.center().y() < room.center().y()
    strip = QRect(
        room.left(), room.bottom() - high + 1 if lower else room.top(), room.width(), high
    )
    card = _within(strip, QSize(wide, high), target)
    free = QRect(target)
    if lower:
        free.setBottom(min(free.bottom(), card.top() - gap))
    else:
        free.setTop(max(free.top(), card.bottom() + gap))
    return card, free


def _within(side: QRect, size: QSize, target: QRect) -> QRect:
    """Return a card within a side, as near to the target's middle as that lets it be."""
    card = QRect(QPoint(), size.boundedTo(side.size()))
    card.moveCenter(target.center())
    card.moveLeft(max(side.left(), min(card.left(), side.right() - card.width() + 1)))
    card.moveTop(max(side.top(), min(card.top(), side.bottom() - card.height() + 1)))
    return card


class _Mark(QWidget):
    """A frame around what is meant, and a line from it to the card; no click meets it."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self._window = parent
        self._target, self._card = QRect(), QRect()
        self.colour = LIGHT.second
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.hide()

    @property
    def target(self) -> QRect:
        """What is framed, in the window."""
        return self._target

    def point(self, target: QRect, card: QRect) -> None:
        """Frame a target, and lead from it to a card."""
        self._target, self._card = target, card
        self.setVisible(not target.isEmpty())
        around = target.united(card).adjusted(-_GAP_PX, -_GAP_PX, _GAP_PX, _GAP_PX)
        self.setGeometry(around.intersected(self._window.rect()))
        self.raise_()
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Paint the frame and the line."""
        target = self._target.translated(-self.pos())
        card = self._card.translated(-self.pos())
        start = _nearest(target, card.center())
        with QPainter(self) as painter:
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            painter.setPen(QPen(QColor(self.colour), _FRAME_PX))
            painter.drawLine(start, _nearest(card, start))
            half = _FRAME_PX // 2
            painter.drawRoundedRect(target.adjusted(half, half, -half, -half), 6, 6)


def _nearest(box: QRect, point: QPoint) -> QPoint:
    """Return the point of a box that is nearest to a point."""
    return QPoint(
        max(box.left(), min(point.x(), box.right())), max(box.top(), min(point.y(), box.bottom()))
    )


class _CardButton(TouchButton):
    """A button of a card; the arrows nudge the virtual drive while it has the keys."""

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Leave the arrows to the window."""
        if event.key() in _ARROWS:
            event.ignore()
        else:
            super().keyPressEvent(event)


class Callout(QFrame):
    """Cards, one at a time, in the window `parent`; `bring` scrolls a part to where it is seen."""

    handbook = Signal(str)
    """Show this term in the handbook."""

    def __init__(self, bring: Callable[[QWidget], None], parent: QWidget) -> None:
        super().__init__(parent)
        self._bring, self._window = bring, parent
        self._pointers: Sequence[Pointer] = ()
        self._at = 0
        self._leads_to: Asked | None = None
        self._ended: Callable[[], None] | None = None
        self._focus_before: QWidget | None = None
        self._placed = (QRect(), QRect())
        self.setObjectName("callout")
        self._mark = _Mark(parent)
        self._title, self._words = QLabel(self), QLabel(self)
        self._title.setProperty("strong", True)
        for label in (self._title, self._words):
            label.setWordWrap(True)
            label.setTextFormat(Qt.TextFormat.PlainText)
        self._words.setAlignment(Qt.AlignmentFlag.AlignTop)
        self._words.setObjectName("words")
        on, back = self.tr("The next card"), self.tr("The card before")
        book, end = self.tr("Read on in the handbook"), self.tr("Put the card away")
        self._on = _CardButton(self.tr("Next"), "⏎", on, self.go_on, self, is_next=True)
        self._back = _CardButton(self.tr("Back"), "⌫", back, self.go_back, self)
        self._book = _CardButton(self.tr("Handbook"), "F1", book, self._read_on, self)
        self._end = _CardButton(self.tr("End"), "Esc", end, self.end, self)
        self._buttons = button_row(self._on, self._back, self._book, self._end)
        self._area = area = scrolled(self._words)
        area.setMinimumHeight(1)  # else its bar's own least height, more than a short text has
        self._column = laid(QVBoxLayout(self), self._title, (area, FILLS), self._buttons)
        self.hide()

    def apply_theme(self, theme: Theme) -> None:
        """Take on colours; what is framed is placed anew, for sizes come with them."""
        self._mark.colour = theme.second
        self._placed = (QRect(), QRect())

    @property
    def pointer(self) -> Pointer | None:
        """What is explained now, None while there is no card."""
        return None if self.isHidden() else self._pointers[self._at]

    @property
    def marked(self) -> QRect:
        """What is framed, in the window."""
        return self._mark.target

    def explain(
        self,
        pointers: Sequence[Pointer],
        first: int = 0,
        *,
        leads_to: Asked | None = None,
        ended: Callable[[], None] | None = None,
    ) -> None:
        """Show cards in place of those that are shown.

        Parameters
        ----------
        pointers : sequence of Pointer
            What they say.
        first : int
            Which of them comes first.
        leads_to : (str, callable) or None
            What may be done after the last card; nothing of it has the keys before it is chosen.
        ended : callable or None
            Called when they are put away without that.
        """
        if self.isHidden():
            self._focus_before = QApplication.focusWidget()
        self._pointers, self._leads_to, self._ended = pointers, leads_to, ended
        self._show(first)

    def go_on(self) -> None:
        """Show the next card; after the last one do what it leads to, or end."""
        if self._at + 1 < len(self._pointers):
            self._show(self._at + 1)
        elif self._leads_to is None:
            self.end()
        else:
            _, do = self._leads_to
            self._ended = None
            self.end()
            do()

    def go_back(self) -> None:
        """Show the card before."""
        if self._at:
            self._show(self._at - 1)

    def end(self) -> None:
        """Put the card away; the keys go to where they went before."""
        if self.isHidden():
            return
        had_keys = self.isAncestorOf(QApplication.focusWidget() or self.window())
        self.hide()
        self._mark.hide()
        before, self._focus_before = self._focus_before, None
        if had_keys and before is not None and before.isVisible():
            before.setFocus()
        ended, self._ended = self._ended, None
        if ended is not None:
            ended()

    def follow(self) -> None:
        """Go with what is explained, where that has moved."""
        pointer = self.pointer
        if pointer is None:
            return
        target = self._target_of(pointer)
        room = self._window.rect().adjusted(_GAP_PX, _GAP_PX, -_GAP_PX, -_GAP_PX)
        if (target, room) == self._placed:
            return
        self._placed = target, room
        letter = self.fontMetrics().averageCharWidth()
        # As wide as its buttons in one row, which other languages need more for.
        margins, edges = self._column.contentsMargins(), self.contentsMargins()
        around = margins.left() + margins.right() + edges.left() + edges.right()
        in_a_row = self._buttons.sizeHint().width() + around
        widths = Widths(_LEAST_LETTERS * letter, max(_LETTERS * letter, in_a_row))
        # What has gone out of sight is pointed at no more, and told all the same.
        is_seen = not target.isEmpty()
        place = target if is_seen else QRect(room.bottomLeft(), QSize(1, 1))
        card, free = beside(place, room, widths, self._high_for)
        # A bar takes of the width, for want of which the words would need the bar.
        bar = Qt.ScrollBarPolicy
        whole = self._high_for(card.width()) <= card.height()
        self._area.setVerticalScrollBarPolicy(
            bar.ScrollBarAlwaysOff if whole else bar.ScrollBarAsNeeded
        )
        self.setGeometry(card)
        self._buttons.updateGeometry()  # which of them there are has changed, and is not told yet
        self._column.activate()
        self._mark.point(free if is_seen else QRect(), card)
        self.raise_()

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Go back, end, or read on in the handbook; what else there is goes to the window."""
        do = {
            Qt.Key.Key_Backspace: self.go_back,
            Qt.Key.Key_Escape: self.end,
            **({Qt.Key.Key_F1: self._read_on} if self._book.isVisible() else {}),
        }.get(Qt.Key(event.key()))
        if do is None:
            super().keyPressEvent(event)
        else:
            do()

    def _show(self, number: int) -> None:
        self._at = number
        pointer, count = self._pointers[number], len(self._pointers)
        title = pointer.title
        if count > 1:
            title = f"{title}   ({number + 1}\u00a0/\u00a0{count})"
        self._title.setText(title)
        self._words.setText(pointer.words)
        asked = self._leads_to if number + 1 == count else None
        self._on.say(self.tr("Next") if asked is None else asked[0])
        self._on.setVisible(asked is not None or number + 1 < count)
        self._back.setVisible(number > 0)
        self._book.setVisible(bool(pointer.term))
        named(self, title, pointer.words)
        self._bring(pointer.part())
        self._placed = (QRect(), QRect())
        self.show()
        self.follow()
        (self._end if asked is not None or self._on.isHidden() else self._on).setFocus()
        announce(self, f"{title}. {pointer.words}")

    def _read_on(self) -> None:
        pointer = self.pointer
        self.end()
        if pointer is not None:
            self.handbook.emit(pointer.term)

    def _target_of(self, pointer: Pointer) -> QRect:
        """Return what of a part is seen, in the window."""
        part = pointer.part()
        box = QRectF(part.rect()) if pointer.box is None else pointer.box()
        if box is None or not part.isVisible():
            return QRect()
        shown = box.toAlignedRect().intersected(self._scrolled_to(part))
        return QRect(part.mapTo(self._window, shown.topLeft()), shown.size())

    def _scrolled_to(self, part: QWidget) -> QRect:
        """Return what of a part its parents let be seen, in the part's own pixels."""
        seen = part.rect()
        above = part.parentWidget()
        while above is not None and above is not self._window:
            corner = part.mapFrom(above, QPoint())
            seen = seen.intersected(QRect(corner, above.size()))
            above = above.parentWidget()
        return seen

    def _high_for(self, wide: int) -> int:
        parts = (self._title, self._words, self._buttons)
        for part in (self, *parts, *self._buttons.findChildren(QWidget)):
            part.ensurePolished()  # else its letters have not their size yet
        margins, gap = self._column.contentsMargins(), self._column.spacing()
        edges = self.size() - self.contentsRect().size()
        inner = wide - margins.left() - margins.right() - edges.width()
        high = sum(each.heightForWidth(inner) for each in parts) + (len(parts) - 1) * gap
        return high + margins.top() + margins.bottom() + edges.height()
