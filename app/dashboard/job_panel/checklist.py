"""The list of a job's checks, each with its stage, verdict and number."""

from __future__ import annotations

from PySide6.QtCore import QModelIndex, QPersistentModelIndex, QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QColor, QFontMetricsF, QKeyEvent, QPainter, QPen, QPolygonF
from PySide6.QtWidgets import (
    QAbstractItemView,
    QListWidget,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QWidget,
)

from app.analysis.results import Verdict
from app.dashboard.job_panel.text import Row
from app.dashboard.lettering import LEFT, RIGHT
from app.dashboard.style import LIGHT, Sizes, Theme, font_of_cap
from app.dashboard.widgets import ENTERS, named, on_enter
from app.job.plan import StepState

_WIDEST_VALUE = 0.52
"""As a part of the row. Longer ones are cut short; the card of the check shows them whole."""


class CheckList(QListWidget):
    """The checks, one a row; the keys of the needle choose among them."""

    looked_at = Signal(int)
    """A row was pressed, or chosen by the arrows."""
    taken_up = Signal()
    """Enter, or a double press."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._painter = _RowPainter(self)
        self.setItemDelegate(self._painter)
        self.setUniformItemSizes(True)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        named(
            self,
            self.tr("Checks of the job"),
            self.tr("Arrows choose, Enter takes a check in hand"),
        )
        self.currentRowChanged.connect(self._tell)
        self.doubleClicked.connect(lambda _: self.taken_up.emit())

    @property
    def rows(self) -> tuple[Row, ...]:
        """What is listed."""
        return self._painter.rows

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        self._painter.theme, self._painter.sizes = theme, sizes
        self.scheduleDelayedItemsLayout()

    def show_rows(self, rows: tuple[Row, ...], chosen: int | None) -> None:
        """List the rows, and keep the chosen one in sight with what follows it."""
        self.blockSignals(True)
        if rows != self.rows:
            # Qt is given words alone to look after; what is painted is the painter's to know.
            self._painter.rows = rows
            self.addItems([""] * (len(rows) - self.count()))
            self.model().removeRows(len(rows), self.count() - len(rows))
            for place, row in enumerate(rows):
                self.model().setData(self.model().index(place, 0), row.spoken)
            self.viewport().update()
        if chosen is not None and chosen != self.currentRow():
            self.setCurrentRow(chosen)
            there = self.model().index(chosen, 0)
            self.scrollTo(there, QAbstractItemView.ScrollHint.PositionAtCenter)
        self.blockSignals(False)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Take a check in hand on Enter, once; leave Enter with Shift to the window."""
        if on_enter(event, self.taken_up.emit):
            return
        if event.key() in ENTERS:
            event.ignore()
        else:
            super().keyPressEvent(event)

    def _tell(self, row: int) -> None:
        if row >= 0:
            self.looked_at.emit(row)


class _RowPainter(QStyledItemDelegate):
    """Paints a row: the shape and the word of its verdict, its name and its number."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self.theme, self.sizes = LIGHT, Sizes(1.0)
        self.rows: tuple[Row, ...] = ()

    def sizeHint(  # noqa: N802
        self, option: QStyleOptionViewItem, index: QModelIndex | QPersistentModelIndex
    ) -> QSize:
        """Return the room for one row: that of a gloved finger."""
        return QSize(60, self.sizes.touch_px)

    def paint(
        self,
        painter: QPainter,
        option: QStyleOptionViewItem,
        index: QModelIndex | QPersistentModelIndex,
    ) -> None:
        """Paint one row."""
        row = self.rows[index.row()]
        painter.save()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        theme, px = self.theme, self.sizes.text_px
        box = QRectF(option.rect)  # type: ignore[attr-defined]
        chosen = bool(option.state & QStyle.StateFlag.State_Selected)  # type: ignore[attr-defined]
        self._paint_ground(painter, box, row, chosen)
        mark = QRectF(box.left() + px * 0.6, box.center().y() - px * 0.5, px, px)
        paint_mark(painter, mark, row, theme)
        inner = box.adjusted(px * 2.2, px * 0.25, -px * 0.6, -px * 0.25)
        upper = QRectF(inner)
        upper.setHeight(0.54 * inner.height())
        lower = QRectF(upper.bottomLeft(), inner.bottomRight())
        painter.setFont(font_of_cap(px * 0.7, bold=row.state is StepState.IN_HAND))
        wide = QFontMetricsF(painter.font()).horizontalAdvance(row.value)
        value = QRectF(upper)
        value.setLeft(upper.right() - min(wide, _WIDEST_VALUE * upper.width()))
        painter.setPen(QColor(theme.faint if row.state is StepState.PENDING else theme.ink))
        upper.setRight(value.left() - px * 0.4)
        _write_cut(painter, upper, row.name, LEFT)
        _write_cut(painter, value, row.value, RIGHT)
        # Smaller than the line above it, where that is no smaller than can be read.
        painter.setFont(font_of_cap(min(px * 0.7, max(px * 0.58, 9.0))))
        painter.setPen(QColor(theme.faint))
        _write_cut(painter, lower, row.stage, LEFT)
        painter.setPen(QColor(_colour(row, theme)))
        _write_cut(painter, lower, row.word, RIGHT)
        painter.restore()

    def _paint_ground(self, painter: QPainter, box: QRectF, row: Row, chosen: bool) -> None:
        theme = self.theme
        if chosen:
            painter.setPen(QPen(QColor(theme.second), 2))
            painter.setBrush(QColor(theme.panel))
            painter.drawRoundedRect(box.adjusted(2, 1, -2, -1), 4, 4)
        else:
            painter.setPen(QPen(QColor(theme.line), 0.5))
            painter.drawLine(box.bottomLeft(), box.bottomRight())
        if row.state is StepState.IN_HAND:
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QColor(theme.second))
            painter.drawRect(QRectF(box.left() + 2, box.top() + 4, 4, box.height() - 8))


def _write_cut(painter: QPainter, box: QRectF, words: str, align: Qt.AlignmentFlag) -> None:
    """Write one line, cut short where it is too long for the box."""
    cut = QFontMetricsF(painter.font()).elidedText(
        words, Qt.TextElideMode.ElideRight, box.width() + 1
    )
    painter.drawText(box, int(align), cut)


def _colour(row: Row, theme: Theme) -> str:
    return {
        Verdict.PASS: theme.good,
        Verdict.FAIL: theme.fault,
        Verdict.UNDECIDED: theme.caution,
        Verdict.NOTED: theme.ink,
        Verdict.SKIPPED: theme.faint,
        None: theme.second,
    }[row.verdict]


def paint_mark(painter: QPainter, box: QRectF, row: Row, theme: Theme) -> None:
    """Paint the shape of a row's verdict or state, which says the same as its colour."""
    colour = QColor(_colour(row, theme))
    width = max(1.5, box.width() / 7)
    painter.setPen(QPen(colour, width, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    left, right, top, bottom = box.left(), box.right(), box.top(), box.bottom()
    centre = box.center()
    match row.verdict:
        case Verdict.PASS:
            tick = [
                QPointF(left, centre.y()),
                QPointF(left + 0.38 * box.width(), bottom - 0.12 * box.height()),
                QPointF(right, top + 0.1 * box.height()),
            ]
            painter.drawPolyline(QPolygonF(tick))
        case Verdict.FAIL:
            painter.drawLine(box.topLeft(), box.bottomRight())
            painter.drawLine(box.topRight(), box.bottomLeft())
        case Verdict.UNDECIDED:
            painter.drawPolygon(
                QPolygonF([QPointF(centre.x(), top), box.bottomRight(), box.bottomLeft()])
            )
        case Verdict.NOTED:
            painter.setBrush(colour)
            painter.drawRect(box.adjusted(0.2 * box.width(), 0.2 * box.height(), -3, -3))
        case Verdict.SKIPPED:
            painter.drawLine(QPointF(left, centre.y()), QPointF(right, centre.y()))
        case None:
            if row.state is StepState.IN_HAND:
                painter.setBrush(colour)
                painter.drawPolygon(
                    QPolygonF([box.topLeft(), QPointF(right, centre.y()), box.bottomLeft()])
                )
            else:
                painter.setPen(QPen(QColor(theme.line), max(1.0, width / 2)))
                painter.drawEllipse(box.adjusted(2, 2, -2, -2))
