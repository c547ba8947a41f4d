"""The panel of the source's state: its lines, graded by shape as well as by colour."""

from __future__ import annotations

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPainter, QPaintEvent, QPen, QPolygonF
from PySide6.QtWidgets import QSizePolicy, QWidget

from app.dashboard.lettering import LEFT, height_of, write
from app.dashboard.needle.statelines import Grade, Line
from app.dashboard.panel import paint_panel
from app.dashboard.theme import LIGHT, Sizes, Theme

_LEAST_PX = 7
_BELOW_PART = 0.4


def _squeeze(painter: QPainter, box: QRectF, align: Qt.AlignmentFlag, words: str) -> None:
    """Write one line, smaller where it is too long: its end says what is wrong."""
    usual = painter.font()
    needed = QFontMetricsF(usual).horizontalAdvance(words)
    if needed > box.width():
        small = QFont(usual)
        part = box.width() / needed
        small.setPixelSize(max(_LEAST_PX, int(usual.pixelSize() * part)))
        painter.setFont(small)
        words = QFontMetricsF(small).elidedText(words, Qt.TextElideMode.ElideRight, box.width())
    painter.drawText(box, align, words)
    painter.setFont(usual)


class StateView(QWidget):
    """The lines, one under the other."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._theme: Theme = LIGHT
        self._sizes = Sizes(1.0)
        self._lines: tuple[Line, ...] = ()
        self._notes: tuple[str, ...] = ()
        self._settings = ""
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Expanding)
        self.setAccessibleName(self.tr("State of the source"))

    @property
    def lines(self) -> tuple[Line, ...]:
        """What is shown."""
        return self._lines

    def minimumSizeHint(self) -> QSize:  # noqa: N802
        """Return the least room."""
        return QSize(200, 120)

    def dress(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._theme, self._sizes = theme, sizes
        self.update()

    @property
    def notes(self) -> tuple[str, ...]:
        """What stands below the lines."""
        return self._notes

    @property
    def settings(self) -> str:
        """The instrument's settings, between the lines and the notes."""
        return self._settings

    def show_lines(
        self, lines: tuple[Line, ...], notes: tuple[str, ...], settings: str = ""
    ) -> None:
        """Show the state, settings and notes below it; paints only where it changed."""
        if (lines, notes, settings) != (self._lines, self._notes, self._settings):
            self._lines, self._notes, self._settings = lines, notes, settings
            words = [*(f"{each.name}: {each.words}" for each in lines), settings, *notes]
            self.setAccessibleDescription("; ".join(filter(None, words)))
            self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Paint each line: shape, name, words."""
        painter = QPainter(self)
        paint_panel(painter, self, self._theme, self._sizes)
        pad = max(6.0, self._sizes.px(12))
        room = QRectF(self.rect()).adjusted(pad, pad, -pad, -pad)
        notes = "\n".join(f"▲ {note}" for note in self._notes)
        most = room.height() * _BELOW_PART / (2 if self._settings and notes else 1)
        for words, colour in ((notes, self._theme.caution), (self._settings, self._theme.ink)):
            if words:
                room.setHeight(
                    room.height() - self._write_below(painter, room, words, colour, most)
                )
        if self._lines:
            self._paint_lines(painter, pad, room.height())
        painter.end()

    def _write_below(
        self, painter: QPainter, room: QRectF, words: str, colour: str, most: float
    ) -> float:
        """Write words at the bottom of `room`; returns the height that they took."""
        size_px = self._sizes.text_px
        high = height_of(words, room.width(), most, size_px)
        painter.setPen(QColor(colour))
        box = QRectF(room.left(), room.bottom() - high, room.width(), high)
        write(painter, box, words, size_px, LEFT)
        return high

    def _paint_lines(self, painter: QPainter, pad: float, high: float) -> None:
        step = min(high / len(self._lines), self._sizes.text_px * 2.0)
        font = QFont(self.font())
        font.setPixelSize(max(9, min(self._sizes.text_px, int(step / 1.2))))
        painter.setFont(font)
        metrics = QFontMetricsF(font)
        names = max(metrics.horizontalAdvance(line.name) for line in self._lines)
        align = Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
        for rank, line in enumerate(self._lines):
            box = QRectF(pad, pad + rank * step, self.width() - 2 * pad, step)
            mark = step * 0.5
            self._paint_mark(painter, QPointF(pad + mark / 2, box.center().y()), mark, line.grade)
            painter.setPen(QColor(self._theme.faint))
            left = pad + mark * 1.6
            painter.drawText(box.adjusted(left - pad, 0, 0, 0), align, line.name)
            painter.setPen(QColor(self._colour(line.grade)))
            left += names + pad
            _squeeze(painter, box.adjusted(left - pad, 0, 0, 0), align, line.words)

    def _colour(self, grade: Grade) -> str:
        theme = self._theme
        return {
            Grade.PLAIN: theme.ink,
            Grade.GOOD: theme.ink,
            Grade.CAUTION: theme.caution,
            Grade.FAULT: theme.fault,
        }[grade]

    def _paint_mark(self, painter: QPainter, at: QPointF, size: float, grade: Grade) -> None:
        half = size / 2
        painter.setPen(Qt.PenStyle.NoPen)
        if grade is Grade.GOOD:
            painter.setBrush(QColor(self._theme.good))
            painter.drawEllipse(at, half * 0.8, half * 0.8)
        elif grade is Grade.CAUTION:
            painter.setBrush(QColor(self._theme.caution))
            corners = (QPointF(0, -half), QPointF(half, half), QPointF(-half, half))
            painter.drawPolygon(QPolygonF([at + corner for corner in corners]))
        elif grade is Grade.FAULT:
            painter.setPen(QPen(QColor(self._theme.fault), max(2.0, size * 0.28)))
            for slope in (1, -1):
                reach = QPointF(half * 0.8, slope * half * 0.8)
                painter.drawLine(at - reach, at + reach)
        else:
            painter.setBrush(QColor(self._theme.line))
            painter.drawRect(QRectF(at.x() - half * 0.6, at.y() - 1, half * 1.2, 2))
