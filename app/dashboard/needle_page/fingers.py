"""Fingers on a plot: one drags as the mouse does, two zoom about their middle and drag along."""

from __future__ import annotations

from typing import Any

import numpy as np
from PySide6.QtCore import QEvent, QObject, QPointF, Qt
from PySide6.QtGui import QMouseEvent, QTouchEvent
from PySide6.QtWidgets import QApplication, QWidget

from app.dashboard.still_plot import StillPlot

_TOUCHES = (
    QEvent.Type.TouchBegin,
    QEvent.Type.TouchUpdate,
    QEvent.Type.TouchEnd,
    QEvent.Type.TouchCancel,
)
_LEAST_APART_PX = 20.0
"""Fingers that are nearer to each other zoom no further."""


class Fingers(QObject):
    """Takes what is touched of a plot.

    A finger is passed on as a mouse whose button is held, so that whatever can be dragged can be by
    a finger: Qt would do so itself, but then tells of no second one.

    Parameters
    ----------
    plot : StillPlot
        Whose view box follows the fingers.
    """

    def __init__(self, plot: StillPlot) -> None:
        super().__init__(plot)
        self._plot = plot
        self._viewport: QWidget = plot.viewport()
        self._box: Any = plot.plot_item.getViewBox()
        self._drags = False
        self._pair: tuple[QPointF, QPointF] | None = None
        self._viewport.setAttribute(Qt.WidgetAttribute.WA_AcceptTouchEvents)
        self._viewport.installEventFilter(self)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802
        """Take touches, and nothing else."""
        if event.type() not in _TOUCHES or not isinstance(event, QTouchEvent):
            return super().eventFilter(watched, event)
        places = [point.position() for point in event.points()]
        ends = event.type() in (QEvent.Type.TouchEnd, QEvent.Type.TouchCancel)
        if len(places) == 2 and not ends:
            self._let_go(places[0])
            self._pinch(places[0], places[1])
        elif self._pair is None and places:
            self._drag(places[0], ends=ends)
        if ends:
            self._pair = None
        event.accept()
        return True

    def _drag(self, place: QPointF, *, ends: bool) -> None:
        if ends:
            self._let_go(place)
        elif not self._drags:
            self._drags = True
            self._send(QEvent.Type.MouseButtonPress, place)
        else:
            self._send(QEvent.Type.MouseMove, place)

    def _let_go(self, place: QPointF) -> None:
        if self._drags:
            self._drags = False
            self._send(QEvent.Type.MouseButtonRelease, place)

    def _send(self, kind: QEvent.Type, place: QPointF) -> None:
        left, none = Qt.MouseButton.LeftButton, Qt.MouseButton.NoButton
        held = none if kind is QEvent.Type.MouseButtonRelease else left
        button = none if kind is QEvent.Type.MouseMove else left
        where = self._viewport.mapToGlobal(place)
        event = QMouseEvent(kind, place, where, button, held, Qt.KeyboardModifier.NoModifier)
        QApplication.sendEvent(self._viewport, event)

    def _pinch(self, first: QPointF, second: QPointF) -> None:
        """Zoom by how far the fingers have parted since, and let their middle stay below them."""
        before, self._pair = self._pair, (first, second)
        if before is None:
            return
        apart = max(_LEAST_APART_PX, _apart(first, second))
        factor = max(_LEAST_APART_PX, _apart(*before)) / apart
        was, now = (self._seen_at((a + b) / 2.0) for a, b in (before, (first, second)))
        self._box.translateBy(x=was.x() - now.x(), y=was.y() - now.y())
        self._box.scaleBy((factor, factor), center=self._seen_at((first + second) / 2.0))

    def _seen_at(self, place: QPointF) -> Any:
        """Return what of the plot lies at a place of its view."""
        return self._box.mapSceneToView(self._plot.mapToScene(place.toPoint()))


def _apart(first: QPointF, second: QPointF) -> float:
    return float(np.hypot(second.x() - first.x(), second.y() - first.y()))
