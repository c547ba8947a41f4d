"""Needle, direction, figure, next nudge and ask, as large as the window lets them be."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QResizeEvent
from PySide6.QtWidgets import QVBoxLayout, QWidget

from app.dashboard.job_panel.brief import shortened
from app.dashboard.lettering import CENTRED, letter, size_that_fits
from app.dashboard.needle_page.dial import Limits
from app.dashboard.needle_page.meter import Meter
from app.dashboard.style import Sizes, Theme, font_of_cap
from app.dashboard.text import Face, translate
from app.dashboard.widgets import FILLS, Instrument, laid, named

FAR_CAP = 88.0
"""Figures across the room, in pixels of a full-HD window; capitals are a little less, 84."""
_LEAST_CAP_PX = 6.0
_NEAR_CAP = 56.0
"""The same in a window that is small, but near."""
_BELOW_PX = 24.0
"""Below the dial, where no words stand."""
_ASK_LINES = 3
_SMALLER = 0.95
_MOST_PART = 0.82
"""Of the height, for words; the needle has the rest at least."""


@dataclass(frozen=True, slots=True)
class FarWords:
    """What stands below the needle, a line each; the ask may take several."""

    direction: str = ""
    figure: str = ""
    nudge: str = ""
    ask: str = ""
    careful: bool = False
    """The first line says why there is no reading."""


def far_words(face: Face, nudge: str, ask: str, *, tells_why: bool = False) -> FarWords:
    """Return the words that go with a face, a nudge and an ask, each empty where there is none.

    `tells_why` has the reason for no reading beside it where the ask has its room.
    """
    if face.balance is None:
        # Without a job the reason has the room of the ask.
        headline = _with_reason(face) if tells_why and ask and face.unread else face.headline
        return FarWords(headline, "", nudge, ask or face.detail, careful=True)
    # The difference is what the dial shows.
    figure = f"{face.offset.text}  {face.offset.proviso}".rstrip()
    return FarWords(_direction(face), figure, nudge, ask)


def _with_reason(face: Face) -> str:
    """Return that there is no reading, and what the reason for it begins with."""
    return shortened(f"{face.headline}: {re.split('[:;.] ', face.detail)[0].rstrip('.')}")


def _direction(face: Face) -> str:
    assert face.balance is not None
    if abs(face.balance) <= face.expanded_u:
        middle = translate("dashboard", "on the middle")
        return middle if face.zeroed else translate("dashboard", "lobes are even")
    if face.mirrored:
        return translate("dashboard", "side not known")
    if face.balance > 0.0:
        return "◀ " + translate("dashboard", "move inward")
    return translate("dashboard", "move outward") + " ▶"


class _Lines(Instrument):
    """Paints the words."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__((0, 0), parent)
        self.words = FarWords()
        self.cap_px = self.largest_cap_px = FAR_CAP

    def lines(self) -> tuple[tuple[str, QColor, int], ...]:
        """Return what is shown: words, ink, and the most lines that they may take."""
        theme, words = self._theme, self.words
        first = theme.caution if words.careful else theme.ink
        shown = (
            (words.direction, QColor(first), 1),
            (words.figure, QColor(theme.ink), 1),
            (words.nudge, QColor(theme.second), 1),
            (words.ask, QColor(theme.ink), _ASK_LINES),
        )
        return tuple(each for each in shown if each[0])

    def places(self, width: float) -> list[tuple[QRectF, str, QColor, int]]:
        """Return the place of each of the words in so many pixels, with its font's size."""
        cap = self._sizes.px(self.cap_px)
        usual = font_of_cap(cap, bold=True)
        largest, line = usual.pixelSize(), QFontMetricsF(usual).height()
        pad = self._sizes.px(16)
        top, found = pad / 2, []
        for words, ink, most in self.lines():
            room = QRectF(pad, top, width - 2 * pad, most * line)
            size = size_that_fits(words, room.width(), room.height(), largest, True)
            font = font_of_cap(10, bold=True)
            font.setPixelSize(size)
            wrapped = int(CENTRED) | int(Qt.TextFlag.TextWordWrap)
            needed = QFontMetricsF(font).boundingRect(room, wrapped, words).height()
            room.setHeight(max(line, needed))
            found.append((room, words, ink, size))
            top = room.bottom()
        return found

    def fit(self, width: float, most_high: float) -> int:
        """Choose the largest size at which the words take no more than `most_high` pixels.

        Returns the height that they take then.
        """
        self.cap_px = self.largest_cap_px
        while True:
            places = self.places(width)
            high = round(places[-1][0].bottom() + self._sizes.px(12)) if places else 0
            if high <= most_high or self._sizes.px(self.cap_px) < _LEAST_CAP_PX:
                return high
            self.cap_px *= _SMALLER

    def say(self, words: FarWords, most_high: float) -> None:
        """Show words, and paint only what is new of them where all keep their places."""
        before, cap_px = self.places(self.width()), self.cap_px
        self.words = words
        high = self.fit(self.width(), most_high)
        now = self.places(self.width())
        if high != self.height() or cap_px != self.cap_px or len(before) != len(now):
            self.setFixedHeight(high)
            self.update()
            return
        for old, new in zip(before, now, strict=True):
            if old != new:
                self._renew(old[0].united(new[0]))

    def _paint(self, painter: QPainter) -> None:
        """Paint each line in its place."""
        for room, words, ink, size in self.places(self.width()):
            if not self._is_wanted(room):
                continue
            font = font_of_cap(10, bold=True)
            font.setPixelSize(size)
            painter.setFont(font)
            painter.setPen(ink)
            letter(painter, room, int(CENTRED) | int(Qt.TextFlag.TextWordWrap), words)


class FarView(QWidget):
    """The needle, and below it large words; `limits` are those of the dial."""

    def __init__(self, limits: Limits, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.meter = Meter(limits, self, below_px=_BELOW_PX)
        self._lines = _Lines(self)
        self._lines.setFixedHeight(0)
        named(self._lines, self.tr("Direction, figure, next nudge, and what is asked"))
        laid(QVBoxLayout(self), (self.meter, FILLS), self._lines, flush=True)

    @property
    def words(self) -> FarWords:
        """What is shown below the needle."""
        return self._lines.words

    def apply_theme(self, theme: Theme, sizes: Sizes, *, far: bool) -> None:
        """Take on colours and sizes; `far` ones are for the eye across the room."""
        self._lines.largest_cap_px = FAR_CAP if far else _NEAR_CAP
        self._lines.apply_theme(theme, sizes)
        self.meter.apply_theme(theme, replace(sizes, unit=sizes.unit * (1.0 if far else 1.2)))
        self._fit()

    def show_face(self, face: Face, words: FarWords, dt_s: float) -> None:
        """Show a face, and the words that go with it."""
        self.meter.show_face(face, dt_s)
        if words != self._lines.words:
            spoken = (words.direction, words.figure, words.nudge, words.ask)
            self._lines.setAccessibleDescription(". ".join(filter(None, spoken)))
            self._lines.say(words, self._most_high)

    def _fit(self) -> None:
        """Give the words their room, and the needle the rest."""
        self._lines.setFixedHeight(self._lines.fit(self.width(), self._most_high))
        self._lines.update()

    @property
    def _most_high(self) -> float:
        return _MOST_PART * self.height()

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        """Fit the words to the new size."""
        super().resizeEvent(event)
        self._fit()
