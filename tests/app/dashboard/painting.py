"""What a painter is asked to draw, noted before any pixel is rounded."""

from dataclasses import dataclass
from typing import ClassVar
from unittest.mock import patch

from PySide6.QtCore import Qt
from PySide6.QtGui import QBrush, QColor, QPainter, QPainterPath, QPixmap, QPolygonF

FLAT, ROUND = Qt.PenCapStyle.FlatCap, Qt.PenCapStyle.RoundCap


@dataclass(frozen=True)
class Mark:
    """One thing drawn, with the pen, the brush and the font in use."""

    kind: str
    shape: tuple
    """Numbers: corners one after the other, or left, top, width, height and what follows."""
    words: str
    align: Qt.AlignmentFlag
    pen: str
    """Its colour; empty where there is none."""
    width: float
    cap: Qt.PenCapStyle
    brush: str
    hatch: Qt.BrushStyle
    alpha: float
    font_px: int
    bold: bool
    smooth: bool
    clip: tuple
    path: QPainterPath | None = None
    wraps: bool = False


def numbers(thing):
    """A point, a rectangle, a line or a polygon as plain numbers."""
    if isinstance(thing, QPolygonF):
        return tuple(part for point in thing for part in point.toTuple())
    if hasattr(thing, "getRect"):
        return tuple(thing.getRect())
    return thing.toTuple() if hasattr(thing, "toTuple") else (thing,)


class Recorder(QPainter):
    """A painter that paints, and notes it in `marks`."""

    marks: ClassVar[list[Mark]] = []  # of all painters, for a widget makes its own

    def _note(self, kind, *things, words="", align=0, path=None, fill=None):
        pen, font = self.pen(), self.font()
        brush = self.brush() if fill is None else QBrush(fill)
        full = [each for each in things if not isinstance(each, QPainterPath)]
        clip = numbers(self.clipBoundingRect()) if self.hasClipping() else ()
        self.marks.append(
            Mark(
                kind,
                tuple(part for each in full for part in numbers(each)),
                words,
                Qt.AlignmentFlag(int(align) & ~int(Qt.TextFlag.TextWordWrap)),
                pen.color().name() if pen.style() is not Qt.PenStyle.NoPen else "",
                pen.widthF(),
                pen.capStyle(),
                brush.color().name() if brush.style() is not Qt.BrushStyle.NoBrush else "",
                brush.style(),
                (pen if kind in ("Text", "Line") else brush).color().alphaF(),
                font.pixelSize(),
                font.bold(),
                bool(self.renderHints() & QPainter.RenderHint.Antialiasing),
                clip,
                path,
                bool(int(align) & int(Qt.TextFlag.TextWordWrap)),
            )
        )

    def drawText(self, box, align, words):  # noqa: N802
        self._note("Text", box, words=words, align=align)
        super().drawText(box, int(align), words)

    def drawLine(self, *ends):  # noqa: N802
        self._note("Line", *ends)
        super().drawLine(*ends)

    def drawPath(self, path):  # noqa: N802
        self._note("Path", path, path=path)
        super().drawPath(path)

    def drawPolygon(self, corners):  # noqa: N802
        self._note("Polygon", corners)
        super().drawPolygon(corners)

    def drawPolyline(self, corners):  # noqa: N802
        self._note("Polyline", corners)
        super().drawPolyline(corners)

    def drawRect(self, box):  # noqa: N802
        self._note("Rect", box)
        super().drawRect(box)

    def fillRect(self, box, colour):  # noqa: N802
        self._note("Fill", box, fill=colour)
        super().fillRect(box, colour)

    def drawRoundedRect(self, box, *corners):  # noqa: N802
        self._note("Rounded", box, *corners)
        super().drawRoundedRect(box, *corners)

    def drawEllipse(self, *where):  # noqa: N802
        self._note("Ellipse", *where)
        super().drawEllipse(*where)


WORDS_AS_TEXT = patch("app.dashboard.lettering._TRACED_PX", 10_000)
"""Large words come from kept pictures of letters, of which nothing would be noted."""


@WORDS_AS_TEXT
def painted(paint, width=2000, height=1200):
    """The marks of a function that is given a painter."""
    ground = QPixmap(width, height)
    ground.fill(QColor("white"))
    Recorder.marks = []
    with Recorder(ground) as painter:
        paint(painter)
    return Recorder.marks


def painted_by(widget, monkeypatch):
    """The marks of all painters that a widget uses to paint itself."""
    for module in {part.__module__ for part in type(widget).__mro__}:
        if module.startswith("app."):
            monkeypatch.setattr(f"{module}.QPainter", Recorder, raising=False)
    Recorder.marks = []
    with WORDS_AS_TEXT:
        widget.grab()
    monkeypatch.undo()
    return Recorder.marks


def texts(marks):
    """What is written, by its words; each is written once."""
    found = {mark.words: mark for mark in marks if mark.kind == "Text"}
    assert len(found) == sum(mark.kind == "Text" for mark in marks)
    return found
