"""Widgets that more than one page has: panels, lists, fields, buttons, plots, pages.

Lists, fields and buttons do one thing on Enter and hand it on to nobody; Qt would let the widget
above do the next thing as well.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, TypeVar

from PySide6.QtCore import (
    QBuffer,
    QByteArray,
    QEvent,
    QLocale,
    QModelIndex,
    QObject,
    QPersistentModelIndex,
    QPointF,
    QRect,
    QRectF,
    QSize,
    Qt,
    QTimer,
    Signal,
)
from PySide6.QtGui import (
    QAccessible,
    QAccessibleAnnouncementEvent,
    QAccessibleEvent,
    QColor,
    QDropEvent,
    QFocusEvent,
    QFontMetricsF,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPixmap,
    QPixmapCache,
    QPolygonF,
    QResizeEvent,
    QShowEvent,
    QWheelEvent,
)
from PySide6.QtWidgets import (
    QAbstractScrollArea,
    QApplication,
    QBoxLayout,
    QComboBox,
    QFrame,
    QLabel,
    QLayout,
    QLineEdit,
    QListWidget,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionComboBox,
    QStyleOptionViewItem,
    QTextEdit,
    QVBoxLayout,
    QWidget,
)
from shiboken6 import invalidate

from app.dashboard.lettering import LEFT, write
from app.dashboard.plain import plain, tip
from app.dashboard.style import LIGHT, Sizes, Theme, font_of_cap
from app.dashboard.text import translate
from app.files import atomic_write

_Box = TypeVar("_Box", bound=QBoxLayout)
_Thing = TypeVar("_Thing")
_Widget = TypeVar("_Widget", bound=QWidget)
_Part = QWidget | QLayout | int | tuple[QWidget | QLayout, int]
FILLS = 1
"""Stretch of what takes the room that is left; of several each takes as much."""
_EDGE_PX = 1.5
BETWEEN_BUTTONS_PX = 6
_TWO_HALVES = 112
"""Widths of a letter that two halves of a page need beside each other."""
_ROUND_PX = 10
_BESIDE_TYPED_PX = 40
"""Above and below a field that is typed into: the row before it, or what is said there."""
_EDGE_OF_LIST_PX = 4
_MARKS = re.compile("[/?&=:_](?=[^ ])")
_MAY_BREAK = "\u200b"
_BESIDE_CHOICE_PX = 4
"""That the style leaves free on both sides of what is chosen in a box."""


def laid(box: _Box, *parts: _Part, flush: bool = False) -> _Box:
    """Put parts into a box, one after the other, and return it.

    A part may come with its stretch; a number alone is room that stretches. A `flush` box has no
    margins.
    """
    if flush:
        box.setContentsMargins(0, 0, 0, 0)
    for each in parts:
        part, stretch = each if isinstance(each, tuple) else (each, 0)
        if isinstance(part, QWidget):
            box.addWidget(part, stretch)
        elif isinstance(part, QLayout):
            box.addLayout(part, stretch)
            _forget_items(part)
        else:
            box.addStretch(part)
    return box


def _forget_items(layout: QLayout) -> None:
    """Forget the Python objects that PySide makes for the items of a layout put into another.

    Qt deletes an item unseen when its widget moves. The object of a deleted item would then stand
    for whatever Qt makes next at the same address.
    """
    for place in range(layout.count()):
        item = layout.itemAt(place)
        if isinstance(item, QLayout):
            _forget_items(item)
        elif item is not None:
            invalidate(item)


def named(widget: _Widget, name: str, description: str = "") -> _Widget:
    """Name a widget for a screen reader, and return it."""
    widget.setAccessibleName(name)
    widget.setAccessibleDescription(description)
    return widget


def announce(widget: QWidget, words: str, *, urgent: bool = False) -> None:
    """Have words said by a screen reader; `urgent` ones before what it is saying."""
    event = QAccessibleAnnouncementEvent(widget, plain(words))
    if urgent:
        event.setPoliteness(QAccessible.AnnouncementPoliteness.Assertive)
    QAccessible.updateAccessibility(event)


class Instrument(QWidget):
    """A widget that paints itself on a panel, in the window's colours and sizes.

    `min_size` is the smallest width and height, in pixels, at which it can be read.
    """

    asked = Signal(str)
    """What one of its :meth:`terms` means: it was touched."""

    def __init__(self, min_size: tuple[int, int], parent: QWidget | None) -> None:
        super().__init__(parent)
        self._theme, self._sizes = LIGHT, Sizes(1.0)
        self._wanted = QRectF()
        self.setMinimumSize(*min_size)

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._theme, self._sizes = theme, sizes
        self.update()

    def terms(self) -> Sequence[tuple[str, QRectF]]:
        """Return the words on it that the handbook explains, each with its place.

        Where two places overlap, the one behind in the list counts.
        """
        return ()

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Take a press on a word that is explained; its release counts."""
        event.setAccepted(self._term_at(event.position()) != "")

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Emit `asked` for the word below the finger."""
        term = self._term_at(event.position())
        if term and event.button() is Qt.MouseButton.LeftButton:
            self.asked.emit(term)

    def _term_at(self, place: QPointF) -> str:
        """Return the word at a place, empty where there is none."""
        here = [term for term, box in self.terms() if box.contains(place)]
        return here[-1] if here else ""

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Paint the panel, and upon it what the widget shows."""
        key = f"panel {self.size()} {self.devicePixelRatioF()} {self._sizes} {self._theme}"
        panel = QPixmap()
        # It is painted once for a size and kept.
        if not QPixmapCache.find(key, panel):
            panel = self._blank()
            with QPainter(panel) as painter:
                paint_panel(painter, QRectF(self.rect()), self._theme, self._sizes)
            QPixmapCache.insert(key, panel)
        self._wanted = QRectF(event.rect())
        with QPainter(self) as painter:
            painter.drawPixmap(0, 0, panel)
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            self._paint(painter)

    def _is_wanted(self, box: QRectF) -> bool:
        """Return whether a part of the widget is to be painted now, by what has changed."""
        return self._wanted.intersects(box)

    def _renew(self, box: QRectF) -> None:
        """Ask for a part of the widget to be painted again."""
        self.update(box.toAlignedRect())

    def _blank(self) -> QPixmap:
        """Return a picture of the widget's size with nothing on it but the bench."""
        ratio = self.devicePixelRatioF()
        blank = QPixmap(self.size() * ratio)
        blank.setDevicePixelRatio(ratio)
        blank.fill(QColor(self._theme.bench))
        return blank

    def _paint(self, painter: QPainter) -> None:
        """Paint what the widget shows: nothing, unless it says otherwise."""


def paint_panel(painter: QPainter, box: QRectF, theme: Theme, sizes: Sizes) -> None:
    """Paint the rounded background of a whole widget, and leave the painter smooth."""
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setPen(QPen(QColor(theme.line), max(1.0, sizes.px(_EDGE_PX))))
    painter.setBrush(QColor(theme.face))
    corner = sizes.px(_ROUND_PX)
    painter.drawRoundedRect(box.adjusted(1, 1, -1, -1), corner, corner)


class FittedText(QWidget):
    """A label that always shows all of its words."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._words = ""
        self._largest_px = 12
        self._bold = False
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)

    @property
    def words(self) -> str:
        """What is shown."""
        return self._words

    def set_size(self, largest_px: int, *, bold: bool = False) -> None:
        """Set the font size of words that are not too long."""
        self._largest_px, self._bold = largest_px, bold
        self.update()

    def say(self, words: str) -> None:
        """Show words, to a screen reader too."""
        if words != self._words:
            self._words = words
            self.setAccessibleDescription(words)
            self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Paint the words."""
        with QPainter(self) as painter:
            painter.setPen(self.palette().windowText().color())
            box = QRectF(self.rect())
            write(painter, box, self._words, self._largest_px, LEFT, bold=self._bold)


def paint_virtual(painter: QPainter, box: QRectF, theme: Theme, sizes: Sizes) -> None:
    """Write *virtual drive* across a box, so that practice is not mistaken for a real drive."""
    text = translate("dashboard", "virtual drive")
    cap = min(box.height() * 0.42, sizes.px(96))
    font = font_of_cap(cap, bold=True)
    wide = QFontMetricsF(font).horizontalAdvance(text)
    if wide > box.width() * 0.8:
        font = font_of_cap(cap * box.width() * 0.8 / wide, bold=True)
    ink = QColor(theme.ink)
    ink.setAlphaF(0.20 if theme.dark else 0.15)
    painter.setFont(font)
    painter.setPen(ink)
    painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)


ENTERS = (Qt.Key.Key_Return, Qt.Key.Key_Enter)


def is_enter(event: QKeyEvent) -> bool:
    """Return whether a key is Enter, of either kind and without Shift."""
    shifted = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
    return event.key() in ENTERS and not shifted


def on_enter(event: QKeyEvent, do: Callable[[], object]) -> bool:
    """Do something on Enter, once and not again while it is held; return whether it is Enter."""
    if is_enter(event) and not event.isAutoRepeat():
        do()
    return is_enter(event)


class NamedList(QListWidget):
    """An empty list, named for a screen reader; a long row goes on in its next line."""

    asked = Signal()
    """Enter, whether a row is chosen or none; or a row was pressed twice."""

    def __init__(self, name: str, description: str, parent: QWidget) -> None:
        super().__init__(parent)
        named(self, name, description)
        self.setItemDelegate(_Row(self))
        self.setWordWrap(True)
        self.setResizeMode(QListWidget.ResizeMode.Adjust)
        # A word that is longer than a line.
        self.setTextElideMode(Qt.TextElideMode.ElideRight)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.itemActivated.connect(lambda _: self.asked.emit())

    def show_rows(self, rows: Iterable[str], chosen: int = -1) -> None:
        """Show other rows, one of them chosen or none; nobody is told that those before have gone.

        What a row stands for is its owner's to know: Qt is given words alone to look after.
        """
        words = list(map(plain, rows))
        self.blockSignals(True)
        self.clear()
        self.addItems(words)
        for row, each in enumerate(words):
            self.item(row).setToolTip(tip(each))
        self.setCurrentRow(chosen)
        self.blockSignals(False)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Emit `asked` on Enter, once and not again while it is held down."""
        if not on_enter(event, self.asked.emit):
            super().keyPressEvent(event)

    def focusInEvent(self, event: QFocusEvent) -> None:  # noqa: N802
        """Take the keys; Qt would choose the first row by that, where none was chosen."""
        if self.currentRow() >= 0:
            super().focusInEvent(event)
            # Of itself Qt tells a screen reader of the list alone.
            chosen = QAccessibleEvent(self, QAccessible.Event.Focus)
            chosen.setChild(self.currentRow())
            QAccessible.updateAccessibility(chosen)
            return
        self.blockSignals(True)
        super().focusInEvent(event)
        self.setCurrentRow(-1)
        self.blockSignals(False)


def chosen_of(things: Sequence[_Thing], shown: NamedList) -> _Thing | None:
    """Return which of the things is chosen that a list shows in its rows; None where none is."""
    row = shown.currentRow()
    return things[row] if 0 <= row < len(things) else None


class Field(QLineEdit):
    """A line to type into, named for a screen reader."""

    def __init__(self, name: str, description: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        named(self, name, description)
        self.setToolTip(description)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Emit `returnPressed` on Enter, once and not again while it is held down."""
        if not on_enter(event, self.returnPressed.emit):
            super().keyPressEvent(event)


class Picker(QComboBox):
    """An empty box of choices, named for a screen reader; a wheel that passes changes nothing.

    It asks for the room of what is chosen, and takes less where a form has none.
    """

    def __init__(self, name: str, description: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        named(self, name, description)
        self.setToolTip(description)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setMinimumContentsLength(6)
        self.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.currentTextChanged.connect(lambda _: self.updateGeometry())

    @property
    def needed_px(self) -> int:
        """The width at which what is chosen can be read."""
        box = QStyleOptionComboBox()
        self.initStyleOption(box)
        part = self.style().subControlRect(
            QStyle.ComplexControl.CC_ComboBox, box, QStyle.SubControl.SC_ComboBoxEditField, self
        )
        words = self.fontMetrics().horizontalAdvance(self.currentText())
        return self.width() - part.width() + words + _BESIDE_CHOICE_PX

    def sizeHint(self) -> QSize:  # noqa: N802
        """Return Qt's own size, and more where what is chosen takes more."""
        return super().sizeHint().expandedTo(QSize(self.needed_px, 0))

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Paint the box, and in it the arrow, which Qt leaves out of a box that is styled."""
        super().paintEvent(event)
        half = self.fontMetrics().height() / 4
        box = QStyleOptionComboBox()
        self.initStyleOption(box)
        place = self.style().subControlRect(
            QStyle.ComplexControl.CC_ComboBox, box, QStyle.SubControl.SC_ComboBoxArrow, self
        )
        at = QRectF(place).center()
        tip = [QPointF(-half, -half / 2), QPointF(half, -half / 2), QPointF(0.0, half / 2)]
        with QPainter(self) as painter:
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(self.palette().buttonText())
            painter.drawPolygon(QPolygonF([at + each for each in tip]))

    def wheelEvent(self, event: QWheelEvent) -> None:  # noqa: N802
        """Turn the wheel on the page instead, unless the box has the keys."""
        if self.hasFocus():
            super().wheelEvent(event)
        else:
            event.ignore()


class FlowRow(QWidget):
    """Widgets in a row from the left, which goes on in the next line where it does not fit.

    In a `filled` row they share the width of their line, and the lines share them evenly.
    """

    def __init__(
        self, *widgets: QWidget, parent: QWidget | None = None, filled: bool = False
    ) -> None:
        super().__init__(parent)
        self._widgets = widgets
        self._filled = filled
        # A layout asks again and again while it finds its place. What comes and goes meanwhile, or
        # says something else, tells of it later.
        self._heights: dict[tuple[int, ...], int] = {}
        for widget in widgets:
            widget.setParent(self)
        # Fixed would be the height of a single line, which is the hint.
        policy = QSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Minimum)
        policy.setHeightForWidth(True)
        self.setSizePolicy(policy)

    def add(self, widget: QWidget) -> None:
        """Put a widget behind the others."""
        self._widgets = (*self._widgets, widget)
        self._heights.clear()
        widget.setParent(self)
        widget.show()
        self.updateGeometry()

    def hasHeightForWidth(self) -> bool:  # noqa: N802
        """Return that its height depends on its width."""
        return True

    def heightForWidth(self, width: int) -> int:  # noqa: N802
        """Return the height of the lines at a width."""
        wide = (0 if each.isHidden() else each.sizeHint().width() for each in self._widgets)
        asked = (width, *wide)
        if asked not in self._heights:
            places = self._places(width).values()
            self._heights[asked] = max((place.bottom() + 1 for place in places), default=0)
        return self._heights[asked]

    def sizeHint(self) -> QSize:  # noqa: N802
        """Return the size of a single line."""
        sizes = [widget.sizeHint() for widget in self._shown()]
        gaps = BETWEEN_BUTTONS_PX * max(0, len(sizes) - 1)
        tall = max((size.height() for size in sizes), default=0)
        return QSize(sum(size.width() for size in sizes) + gaps, tall)

    def minimumSizeHint(self) -> QSize:  # noqa: N802
        """Return the size of the widest and the tallest of them."""
        size = QSize()
        for widget in self._shown():
            size = size.expandedTo(widget.sizeHint())
        return size

    def event(self, event: QEvent) -> bool:
        """Place them anew when one of them has changed."""
        self._heights.clear()
        if event.type() == QEvent.Type.LayoutRequest:
            self.updateGeometry()
            self._place()
        return super().event(event)

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        """Place them in the new width."""
        super().resizeEvent(event)
        self._place()

    def showEvent(self, event: QShowEvent) -> None:  # noqa: N802
        """Place them anew: of what came or went on a page that is not seen Qt does not tell."""
        super().showEvent(event)
        self.updateGeometry()
        self._place()

    def _shown(self) -> list[QWidget]:
        return [widget for widget in self._widgets if not widget.isHidden()]

    def _place(self) -> None:
        for widget, place in self._places(self.width()).items():
            widget.setGeometry(place)

    def _places(self, width: int) -> dict[QWidget, QRect]:
        places: dict[QWidget, QRect] = {}
        top = 0
        for line in self._lines(width):
            wides = [min(size.width(), width) for _, size in line]
            spare = width - sum(wides) - BETWEEN_BUTTONS_PX * (len(line) - 1)
            more = spare // len(line) if self._filled else 0
            tall, left = max(size.height() for _, size in line), 0
            for (widget, _), wide in zip(line, wides, strict=True):
                places[widget] = QRect(left, top, wide + more, tall)
                left += wide + more + BETWEEN_BUTTONS_PX
            top += tall + BETWEEN_BUTTONS_PX
        return places

    def _lines(self, width: int) -> list[list[tuple[QWidget, QSize]]]:
        """Part the widgets, each with its size, into lines that fit."""
        sized = [
            (widget, widget.sizeHint().expandedTo(widget.minimumSize())) for widget in self._shown()
        ]
        lines = self._filled_up(sized, width)
        if self._filled and len(lines) > 1:
            each = math.ceil(len(sized) / len(lines))
            even = [sized[start : start + each] for start in range(0, len(sized), each)]
            fit = all(
                sum(size.width() for _, size in line) + BETWEEN_BUTTONS_PX * (len(line) - 1)
                <= width
                for line in even
                if len(line) > 1
            )
            return even if fit else lines
        return lines

    @staticmethod
    def _filled_up(
        sized: list[tuple[QWidget, QSize]], width: int
    ) -> list[list[tuple[QWidget, QSize]]]:
        """Return lines of as many as fit."""
        lines: list[list[tuple[QWidget, QSize]]] = []
        left = 0
        for widget, size in sized:
            if not lines or left + size.width() > width:
                lines.append([])
                left = 0
            lines[-1].append((widget, size))
            left += size.width() + BETWEEN_BUTTONS_PX
        return lines


class KeyedArea(QScrollArea):
    """Leaves the keys for which `is_meant` tells so to whatever is above it."""

    def __init__(self, is_meant: Callable[[int], bool]) -> None:
        super().__init__()
        self._is_meant = is_meant

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Scroll by a key that means nothing else."""
        if self._is_meant(event.key()):
            event.ignore()
        else:
            super().keyPressEvent(event)


def scrolled(content: QWidget, area: QScrollArea | None = None) -> QScrollArea:
    """Return content that scrolls up and down where it is taller than its place."""
    area = area or QScrollArea()
    area.setWidgetResizable(True)
    area.setFrameShape(QFrame.Shape.NoFrame)
    area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    area.setFocusPolicy(Qt.FocusPolicy.NoFocus)
    area.setWidget(content)
    return area


def put_bars(parent: QWidget, *, at_left: bool) -> None:
    """Put the bar by which each part of a widget scrolls at its left or at its right.

    What is read there stays as it is.
    """
    direction = Qt.LayoutDirection
    for area in parent.findChildren(QAbstractScrollArea):
        if not isinstance(area, (QScrollArea, QListWidget, QTextEdit)):
            continue
        area.setLayoutDirection(direction.RightToLeft if at_left else direction.LeftToRight)
        content = area.widget() if isinstance(area, QScrollArea) else None
        if content is not None:
            content.setLayoutDirection(direction.LeftToRight)
        if isinstance(area, QTextEdit):
            option = area.document().defaultTextOption()
            option.setTextDirection(direction.LeftToRight)
            option.setAlignment(Qt.AlignmentFlag.AlignLeft)
            area.document().setDefaultTextOption(option)


class _Row(QStyledItemDelegate):
    """Shows a row from left to right, wherever the bar is by which its list scrolls.

    An address goes on in its next line behind one of its marks, where it is longer than a line.
    """

    def displayText(self, value: Any, locale: QLocale | QLocale.Language) -> str:  # noqa: N802
        """Return what is shown of a row."""
        return _MARKS.sub(f"\\g<0>{_MAY_BREAK}", super().displayText(value, locale))

    def initStyleOption(  # noqa: N802
        self, option: QStyleOptionViewItem, index: QModelIndex | QPersistentModelIndex
    ) -> None:
        """Say how a row is shown."""
        super().initStyleOption(option, index)
        left = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
        option.direction = Qt.LayoutDirection.LeftToRight  # type: ignore[attr-defined]
        option.displayAlignment = left  # type: ignore[attr-defined]


def take_copy(event: QDropEvent) -> None:
    """Take what is dragged without taking it away: by a move its owner would delete the file."""
    event.setDropAction(Qt.DropAction.CopyAction)
    event.accept()


def across(*, left_handed: bool) -> QBoxLayout.Direction:
    """Return in which direction the parts stand that change places with the hand."""
    direction = QBoxLayout.Direction
    return direction.RightToLeft if left_handed else direction.LeftToRight


def key_words(key: str) -> str:
    """Return a key as it is written on a keyboard of the window's language."""
    for name, words in (
        ("Ctrl", translate("keys", "Ctrl")),
        ("PgUp", translate("keys", "PgUp")),
        ("PgDn", translate("keys", "PgDn")),
        ("Home", translate("keys", "Home")),
        ("End", translate("keys", "End")),
        ("Shift", translate("keys", "Shift")),
        ("Space", translate("keys", "Space")),
    ):
        key = key.replace(name, words)
    return key


class TouchButton(QPushButton):
    """A button that Space and Enter press, and that a click does not take the focus to.

    So the keys for the hand at the drive stay with the needle after a press. `key` is the one that
    does the same from anywhere; it may be empty. `description` is one sentence for a screen reader
    and the tool tip; `is_next` marks it as the next thing to do.
    """

    def __init__(
        self,
        words: str,
        key: str,
        description: str,
        pressed: Callable[[], object],
        parent: QWidget | None = None,
        *,
        is_next: bool = False,
    ) -> None:
        super().__init__(parent)
        self._key, self._tells_key = key, True
        self.say(words)
        self.set_next(is_next)
        self.setAccessibleDescription(description)
        self.setToolTip(description)
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)
        self.clicked.connect(lambda: pressed())

    def say(self, words: str) -> None:
        """Change the words."""
        self._words = words
        key = key_words(self._key) if self._tells_key else ""
        self.setText(f"{words}  {key}".rstrip())
        self.setAccessibleName(words)

    def tell_key(self, tells: bool) -> None:
        """Write the key beside the words, or leave it out where there is no room for it."""
        self._tells_key = tells
        self.say(self._words)

    def set_key(self, key: str) -> None:
        """Change the key that does the same."""
        self._key = key
        self.say(self._words)

    def set_next(self, is_next: bool) -> None:
        """Mark it as the next thing to do."""
        if self.property("next") != is_next:
            self.setProperty("next", is_next)
            # What a sheet says of it is kept until it is taken off.
            self.style().unpolish(self)
            self.style().polish(self)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Press on Enter as on Space, once while it is held; leave Shift to the window."""
        if on_enter(event, self.click):
            return
        if event.modifiers() & Qt.KeyboardModifier.ShiftModifier:
            event.ignore()
        else:
            super().keyPressEvent(event)


_CLEAR_PX = 6


class Page(QWidget):
    """A page of the window beside that of the needle: a title, and a line that says how it went."""

    back = Signal()
    """Back to where the page was asked for."""

    def __init__(self, parent: QWidget | None) -> None:
        super().__init__(parent)
        self.setObjectName("page")
        self._title = QLabel(self)
        self._title.setProperty("title", True)
        self._status = QLabel(self)
        self._status.setWordWrap(True)
        self._status.setTextFormat(Qt.TextFormat.PlainText)

        self._left_handed = False
        self._content_area: QScrollArea | None = None
        self._scrolling: QVBoxLayout | None = None
        self._buttons: QWidget | None = None
        # What the buttons below said when it was last seen how many fit into a line.
        self._fitted: tuple[tuple[str, bool], ...] = ()
        self._halves = QBoxLayout(QBoxLayout.Direction.LeftToRight)

    def _lay_scrolling(self, parts: Sequence[_Part], buttons: QWidget) -> None:
        """Let the parts scroll above the buttons, which always stand."""
        content = QWidget(self)
        content.setObjectName("page")
        self._buttons = buttons
        buttons.installEventFilter(self)
        self._scrolling = laid(QVBoxLayout(content), *parts)
        self._content_area = scrolled(content)
        laid(QVBoxLayout(self), (self._content_area, FILLS), buttons, flush=True)
        self._keep_clear()
        application = QApplication.instance()
        assert isinstance(application, QApplication)
        application.focusChanged.connect(self._show_typing)

    def _show_typing(self, _: QWidget | None, focused: QWidget | None) -> None:
        """Scroll to what has got the keys; Qt does so where Tab leads there, only."""
        area = self._content_area
        if area is None or focused is None or not area.isAncestorOf(focused):
            return
        # Once the page is laid out.
        if isinstance(focused, QLineEdit):
            QTimer.singleShot(
                0, focused, lambda: area.ensureWidgetVisible(focused, 0, _BESIDE_TYPED_PX)
            )
        elif isinstance(focused, NamedList):
            QTimer.singleShot(0, focused, lambda: _show_row(area, focused))

    def _keep_clear(self) -> None:
        """Keep words clear of the bar by which they scroll."""
        if self._scrolling is not None:
            left, right = (_CLEAR_PX, 0) if self._left_handed else (0, _CLEAR_PX)
            self._scrolling.setContentsMargins(left, 0, right, 0)

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        """Put the halves beside each other where both can be read."""
        super().resizeEvent(event)
        self._place_halves()
        self._fit_buttons()

    def showEvent(self, event: QShowEvent) -> None:  # noqa: N802
        """Fit the buttons by what they say now."""
        super().showEvent(event)
        self._fit_buttons()

    def _fit_buttons(self) -> None:
        """Leave the keys out of the buttons below where they would take a second line for them."""
        row = self._buttons
        if row is not None:
            buttons = row.findChildren(TouchButton)
            for button in buttons:
                button.tell_key(True)
            roomy = row.sizeHint().width() <= self.width()
            for button in buttons:
                button.tell_key(roomy)
            self._fitted = _said_by(buttons)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802
        """Fit the buttons anew where one has come, gone, or says something else."""
        changes = watched is self._buttons and event.type() is QEvent.Type.LayoutRequest
        if changes and _said_by(watched.findChildren(TouchButton)) != self._fitted:
            self._fit_buttons()
        return False

    def _place_halves(self) -> None:
        wide = self.width() >= _TWO_HALVES * self.fontMetrics().averageCharWidth()
        beside = across(left_handed=self._left_handed)
        self._halves.setDirection(beside if wide else QBoxLayout.Direction.TopToBottom)

    def stand_for(self, *, left_handed: bool) -> None:
        """Put what a hand goes to at its side."""
        self._left_handed = left_handed
        put_bars(self, at_left=left_handed)
        self._keep_clear()
        self._place_halves()

    def refresh(self) -> None:
        """Show what has been answered meanwhile; nothing where nobody is asked."""

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes where the window's style does not reach."""

    @property
    def title(self) -> str:
        """What the page is for."""
        return self._title.text()

    @property
    def status(self) -> str:
        """What the page says."""
        return self._status.text()

    def say(self, words: str) -> None:
        """Say how something went, to a screen reader too."""
        words = plain(words)
        if words and words != self._status.text() and self.isVisible():
            announce(self, words)
        self._status.setText(words)


def _said_by(buttons: Iterable[TouchButton]) -> tuple[tuple[str, bool], ...]:
    return tuple((button.accessibleName(), button.isHidden()) for button in buttons)


def _show_row(area: QScrollArea, listed: NamedList) -> None:
    """Scroll to the row of a list that is chosen, or to where the list begins."""
    row = listed.visualRect(listed.currentIndex())
    if not row.isValid():
        row = QRect(0, 0, 1, 2 * _BESIDE_TYPED_PX)
    content = area.widget()
    if content is not None:
        middle = listed.viewport().mapTo(content, row.center())
        area.ensureVisible(0, middle.y(), 0, row.height() // 2 + _EDGE_OF_LIST_PX)


def write_png(widget: QWidget, path: Path) -> None:
    """Write what a widget shows as PNG, which appears under its name once it is whole.

    Raises
    ------
    OSError
        When it cannot be written there.
    """
    data = QByteArray()
    # Qt does not say why it could not write: it draws into memory, and Python writes.
    widget.grab().save(QBuffer(data), "PNG")
    with atomic_write(path) as whole:
        whole.write_bytes(data.data())


def button_row(*buttons: QWidget) -> FlowRow:
    """Return buttons in a row from the left, in several where they do not fit into one."""
    return FlowRow(*buttons)
