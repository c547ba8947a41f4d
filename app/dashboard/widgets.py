"""Widgets that more than one page has: panels, fitted words, lists, fields, buttons, plots, pages.

Lists, fields and buttons do one thing on Enter and hand it on to nobody; Qt would let the widget
above do the next thing as well.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any

import pyqtgraph as pg
from PySide6.QtCore import QRect, QRectF, QSize, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QFont,
    QFontMetricsF,
    QKeyEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPixmap,
    QPixmapCache,
)
from PySide6.QtWidgets import (
    QGraphicsItem,
    QGraphicsView,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QListWidget,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from app.dashboard.style import LIGHT, Sizes, Theme, font_of_cap
from app.dashboard.text import translate

_EDGE_PX = 1.5
_ROUND_PX = 10


class Instrument(QWidget):
    """A widget that paints itself, in the window's colours and sizes.

    `min_size` is the smallest width and height, in pixels, at which it can be read.
    """

    def __init__(self, min_size: tuple[int, int], parent: QWidget | None) -> None:
        super().__init__(parent)
        self._theme: Theme = LIGHT
        self._sizes = Sizes(1.0)
        self._min_size = QSize(*min_size)

    def minimumSizeHint(self) -> QSize:  # noqa: N802
        """Return the smallest size."""
        return self._min_size

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._theme, self._sizes = theme, sizes
        self.update()


def paint_panel(painter: QPainter, widget: QWidget, theme: Theme, sizes: Sizes) -> None:
    """Paint the rounded background of a whole widget, and leave the painter smooth.

    It is painted once for a size and kept.
    """
    ratio, size = widget.devicePixelRatioF(), widget.size()
    edge, corner = max(1.0, sizes.px(_EDGE_PX)), sizes.px(_ROUND_PX)
    look = (size.width(), size.height(), ratio, edge, corner, theme.bench, theme.face, theme.line)
    key = "panel " + " ".join(map(str, look))
    ground = QPixmap()
    if not QPixmapCache.find(key, ground):
        ground = QPixmap(size * ratio)
        ground.setDevicePixelRatio(ratio)
        ground.fill(QColor(theme.bench))
        with QPainter(ground) as made:
            made.setRenderHint(QPainter.RenderHint.Antialiasing)
            made.setPen(QPen(QColor(theme.line), edge))
            made.setBrush(QColor(theme.face))
            box = QRectF(0, 0, size.width(), size.height())
            made.drawRoundedRect(box.adjusted(1, 1, -1, -1), corner, corner)
        QPixmapCache.insert(key, ground)
    painter.drawPixmap(0, 0, ground)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setBrush(Qt.BrushStyle.NoBrush)


_MIN_PX = 8
CENTRED = Qt.AlignmentFlag.AlignCenter
_WRAPPED = int(CENTRED) | int(Qt.TextFlag.TextWordWrap)
LEFT = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
RIGHT = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter


def write(
    painter: QPainter,
    box: QRectF,
    words: str,
    largest_px: int,
    align: Qt.AlignmentFlag = CENTRED,
    *,
    bold: bool = False,
) -> None:
    """Write words into a box, in the painter's pen, no larger than `largest_px`."""
    font = font_of_cap(10, bold=bold)
    font.setPixelSize(size_that_fits(words, box.width(), box.height(), largest_px, bold))
    painter.setFont(font)
    painter.drawText(box, int(align) | int(Qt.TextFlag.TextWordWrap), words)


@lru_cache(maxsize=256)
def size_that_fits(words: str, wide: float, high: float, largest_px: int, bold: bool) -> int:
    """Return the largest font size, in pixels, at which words stay within a box."""
    font = font_of_cap(10, bold=bold)
    low, top = _MIN_PX, max(_MIN_PX, largest_px)
    while low < top:
        middle = (low + top + 1) // 2
        font.setPixelSize(middle)
        needed = QFontMetricsF(font).boundingRect(QRectF(0, 0, wide, high), _WRAPPED, words)
        fits = needed.height() <= high and needed.width() <= wide
        low, top = (middle, top) if fits else (low, middle - 1)
    return low


def height_of(words: str, wide: float, most: float, size_px: int) -> float:
    """Return the height that wrapped words need, at most `most`."""
    font = font_of_cap(10)
    font.setPixelSize(size_px)
    needed = QFontMetricsF(font).boundingRect(QRectF(0, 0, wide, most), _WRAPPED, words)
    return min(most, needed.height())


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
        painter = QPainter(self)
        painter.setPen(self.palette().windowText().color())
        box = QRectF(self.rect())
        write(painter, box, self._words, self._largest_px, LEFT, bold=self._bold)
        painter.end()


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


class NamedList(QListWidget):
    """An empty list, named for a screen reader; long rows are cut short."""

    asked = Signal()
    """Enter, whether a row is chosen or none; or a row was pressed twice."""

    def __init__(self, name: str, description: str, parent: QWidget) -> None:
        super().__init__(parent)
        self.setAccessibleName(name)
        self.setAccessibleDescription(description)
        self.setTextElideMode(Qt.TextElideMode.ElideRight)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.itemActivated.connect(lambda _: self.asked.emit())

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Emit `asked` on Enter, once and not again while it is held down."""
        if not is_enter(event):
            super().keyPressEvent(event)
        elif not event.isAutoRepeat():
            self.asked.emit()


class Field(QLineEdit):
    """A line to type into, named for a screen reader."""

    def __init__(self, name: str, description: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName(name)
        self.setAccessibleDescription(description)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Emit `returnPressed` on Enter, once and not again while it is held down."""
        if not is_enter(event):
            super().keyPressEvent(event)
        elif not event.isAutoRepeat():
            self.returnPressed.emit()


class TouchButton(QPushButton):
    """A button that Space and Enter press, and that a click does not take the focus to.

    So the keys for the hand at the drive stay with the needle after a press. `key` is the one that
    does the same from anywhere; it may be empty. `description` is one sentence for a screen reader
    and the tool tip.
    """

    def __init__(
        self,
        words: str,
        key: str,
        description: str,
        pressed: Callable[[], object],
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self._key = key
        self.say(words)
        self.setAccessibleDescription(description)
        self.setToolTip(description)
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)
        self.clicked.connect(lambda: pressed())

    def say(self, words: str) -> None:
        """Change the words."""
        self.setText(f"{words}  {self._key}".rstrip())
        self.setAccessibleName(words)

    def set_next(self, is_next: bool) -> None:
        """Mark it as the next thing to do."""
        if self.property("next") != is_next:
            self.setProperty("next", is_next)
            self.style().unpolish(self)
            self.style().polish(self)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Press on Enter as on Space, once while it is held; leave Shift to the window."""
        if is_enter(event):
            if not event.isAutoRepeat():
                self.click()
        elif event.modifiers() & Qt.KeyboardModifier.ShiftModifier:
            event.ignore()
        else:
            super().keyPressEvent(event)


class StillPlot(pg.PlotWidget):
    """A plot that cannot be dragged; *virtual drive* stands across it where it shows that."""

    def __init__(self, axes: dict[str, pg.AxisItem], parent: QWidget | None = None) -> None:
        super().__init__(parent, axisItems=axes)
        self._theme: Theme = LIGHT
        self._sizes = Sizes(1.0)
        self._virtual = False
        item = self.plot_item
        item.setMenuEnabled(False)
        item.hideButtons()
        item.setMouseEnabled(x=False, y=False)
        item.disableAutoRange()
        self.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        self.setAntialiasing(False)
        self.setCacheMode(QGraphicsView.CacheModeFlag.CacheBackground)

    @property
    def plot_item(self) -> Any:
        """The plot itself; pyqtgraph lends it its view box's methods, which types do not tell."""
        return self.getPlotItem()

    @property
    def sizes(self) -> Sizes:
        """The window's sizes."""
        return self._sizes

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._theme, self._sizes = theme, sizes
        self.setBackground(theme.face)
        self.resetCachedContent()
        font = QFont()
        font.setPixelSize(sizes.text_px)
        # Room for the halves of the outermost ticks' words, which the axes then let stand.
        self.plot_item.layout.setContentsMargins(
            sizes.text_px // 2, sizes.text_px // 2, 2 * sizes.text_px, 0
        )
        for side in ("left", "bottom"):
            axis = self.plot_item.getAxis(side)
            axis.setTextPen(theme.ink)
            axis.setPen(QPen(QColor(theme.line), 1))
            # Ticks and their words change far less often than what is plotted.
            axis.setCacheMode(QGraphicsItem.CacheMode.DeviceCoordinateCache)
            axis.setStyle(tickFont=font, hideOverlappingLabels=2 * sizes.text_px)

    def pen(self, colour: str, width: float, alpha: float = 1.0) -> QPen:
        """Return a pen whose width is in pixels of a full-HD window."""
        ink = QColor(colour)
        ink.setAlphaF(alpha)
        pen = QPen(ink, max(1.0, self._sizes.px(width)))
        pen.setCosmetic(True)
        return pen

    def set_virtual(self, virtual: bool) -> None:
        """Set whether the samples come from the virtual drive."""
        if virtual != self._virtual:
            self._virtual = virtual
            self.resetCachedContent()
            self.viewport().update()

    def drawBackground(self, painter: QPainter, rect: QRectF | QRect) -> None:  # noqa: N802
        """Paint the background, and on it that the drive is the virtual one."""
        super().drawBackground(painter, rect)
        if self._virtual:
            box = self.plot_item.getViewBox().sceneBoundingRect()
            paint_virtual(painter, box, self._theme, self._sizes)


class TitledPlot(QWidget):
    """A plot below a line of words that says what it shows."""

    def __init__(self, axes: dict[str, pg.AxisItem], parent: QWidget | None) -> None:
        super().__init__(parent)
        self._title = QLabel(self)
        self._plot = StillPlot(axes, self)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self._title)
        layout.addWidget(self._plot, 1)

    def set_virtual(self, virtual: bool) -> None:
        """Set whether the samples come from the virtual drive."""
        self._plot.set_virtual(virtual)

    def repaint_soon(self) -> None:
        """Ask for the plot to be painted again."""
        self._plot.viewport().update()

    def _set_title(self, words: str) -> None:
        if words != self._title.text():
            self._title.setText(words)
            self.setAccessibleDescription(words)


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

    @property
    def status(self) -> str:
        """What the page says."""
        return self._status.text()

    def say(self, words: str) -> None:
        """Say how something went."""
        self._status.setText(words)


def button_row(*buttons: QWidget) -> QHBoxLayout:
    """Return buttons in a row from the left."""
    row = QHBoxLayout()
    for button in buttons:
        row.addWidget(button)
    row.addStretch(1)
    return row


def form_of(rows: Sequence[tuple[str, QWidget]], parent: QWidget) -> QGridLayout:
    """Return fields, one below the other, each with its label before it."""
    form = QGridLayout()
    for row, (words, field) in enumerate(rows):
        label = QLabel(words, parent)
        label.setBuddy(field)
        form.addWidget(label, row, 0)
        form.addWidget(field, row, 1)
    return form
