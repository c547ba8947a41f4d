"""Colours, and sizes that follow the window.

Sizes are asked for in pixels of a full-HD window (1920 × 1080) and scale with the window; on a
24-inch screen such a pixel is 0.2768 mm, so 47 of them are 13 mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from PySide6.QtGui import QColor, QFont, QFontMetricsF, QPalette

FIGURE_CAP = 47.0
"""Least height of a figure that is read from two metres, in pixels of a full-HD window."""
_LEAST_CAP = 9.0
"""Of small print: about that of the smallest running text."""
_TOUCH_MM = 12.0
_TOUCH_PX = 46.0


@dataclass(frozen=True, slots=True)
class Theme:
    """One set of colours; each name says what the colour is for, not what it looks like."""

    dark: bool
    bench: str
    """Behind everything."""
    face: str
    """The dial, the trace, the strip."""
    panel: str
    """Buttons and fields."""
    line: str
    ink: str
    faint: str
    """Words that matter less; still 4.5 : 1 on ``bench``."""
    needle: str
    parked: str
    good: str
    caution: str
    fault: str
    good_band: str
    caution_band: str
    second: str
    """The second lobe, and the reference turn."""
    on_accent: str
    """Words on a button that is the next thing to do."""


LIGHT = Theme(
    dark=False,
    bench="#e4e7e6",
    face="#fbfaf5",
    panel="#f1f3f2",
    line="#9aa5a6",
    ink="#182226",
    faint="#4a585c",
    needle="#b3261e",
    parked="#8b9496",
    good="#14663f",
    caution="#7d4c00",
    fault="#a3123a",
    good_band="#b5dcc6",
    caution_band="#ecc98a",
    second="#1f5fa8",
    on_accent="#ffffff",
)
DARK = Theme(
    dark=True,
    bench="#101619",
    face="#182024",
    panel="#232e33",
    line="#56656b",
    ink="#f0eee6",
    faint="#a9b6ba",
    needle="#ff8a5c",
    parked="#6d7a80",
    good="#6fd6a0",
    caution="#f2c063",
    fault="#ff8fa3",
    good_band="#1e4d39",
    caution_band="#584016",
    second="#83b8f5",
    on_accent="#101619",
)
CONTRAST = Theme(
    dark=True,
    bench="#000000",
    face="#000000",
    panel="#000000",
    line="#ffffff",
    ink="#ffffff",
    faint="#e6e6e6",
    needle="#ffd500",
    parked="#c8c8c8",
    good="#7dffb2",
    caution="#ffb25c",
    fault="#ffb3c0",
    good_band="#00522e",
    caution_band="#5c3a00",
    second="#9fd0ff",
    on_accent="#000000",
)


class Colours(StrEnum):
    """Which colours the user wants."""

    SYSTEM = "system"
    LIGHT = "light"
    DARK = "dark"
    CONTRAST = "contrast"

    @property
    def next(self) -> Colours:
        """The one after it; after the last the first."""
        every = list(Colours)
        return every[(every.index(self) + 1) % len(every)]


_CHOSEN = {Colours.LIGHT: LIGHT, Colours.DARK: DARK, Colours.CONTRAST: CONTRAST}


def theme_for(palette: QPalette, colours: Colours = Colours.SYSTEM) -> Theme:
    """Return the colours that were chosen; the system's: dark where its windows are dark."""
    if colours in _CHOSEN:
        return _CHOSEN[colours]
    return DARK if palette.color(QPalette.ColorRole.Window).lightness() < 128 else LIGHT


def palette_for(theme: Theme) -> QPalette:
    """Return a palette for the widgets that the style draws."""
    palette = QPalette(QColor(theme.panel), QColor(theme.bench))
    role = QPalette.ColorRole
    for roles, colour in (
        ((role.WindowText, role.Text, role.ButtonText, role.ToolTipText), theme.ink),
        ((role.Base, role.AlternateBase, role.ToolTipBase), theme.face),
        ((role.Highlight,), theme.second),
        ((role.HighlightedText,), theme.on_accent),
        ((role.PlaceholderText,), theme.faint),
    ):
        for each in roles:
            palette.setColor(each, QColor(colour))
    return palette


@dataclass(frozen=True, slots=True)
class Sizes:
    """Lengths for one window.

    Attributes
    ----------
    unit : float
        Pixels here for one pixel of a full-HD window.
    dots_per_mm : float
        Pixels a millimetre as the screen states them, 0 when it does not.
    """

    unit: float
    dots_per_mm: float = 0.0

    @classmethod
    def of(cls, width: int, height: int, dots_per_mm: float = 0.0) -> Sizes:
        """Return the sizes for a window of `width` by `height` pixels."""
        return cls(min(width / 1920, height / 1080), dots_per_mm)

    def px(self, length: float) -> float:
        """Return a length given in pixels of a full-HD window."""
        return length * self.unit

    def whole_px(self, length: float, *, least: int = 0) -> int:
        """Return such a length in whole pixels, and no fewer than the least."""
        return max(least, round(self.px(length)))

    def print_px(self, cap: float) -> float:
        """Return a height of small print's capitals: as a length, but never too small to read."""
        return max(_LEAST_CAP, self.px(cap))

    @property
    def text_px(self) -> int:
        """Font size of running text: never below what can be read at the bench."""
        return max(12, round(18 * self.unit))

    @property
    def touch_px(self) -> int:
        """Edge of a control that a gloved finger hits: 12 mm where the screen tells its size."""
        stated = self.dots_per_mm * _TOUCH_MM if 2.0 <= self.dots_per_mm <= 12.0 else 0.0
        return round(max(_TOUCH_PX, _TOUCH_PX * self.unit, min(stated, 2.5 * _TOUCH_PX)))


def _tall(font: QFont) -> float:
    return QFontMetricsF(font).tightBoundingRect("0").height()


@lru_cache(maxsize=256)
def _size_of_cap(family: str, bold: bool, cap_px: float) -> int:
    font = QFont(family)
    font.setBold(bold)
    font.setPixelSize(400)
    size = max(1, math.floor(400 * cap_px / _tall(font)))
    font.setPixelSize(size)
    while _tall(font) < cap_px:  # hinting rounds to whole pixels
        size += 1
        font.setPixelSize(size)
    return size


def font_of_cap(cap_px: float, *, bold: bool = False) -> QFont:
    """Return a font whose figures are at least `cap_px` pixels tall."""
    font = QFont()
    font.setBold(bold)
    font.setPixelSize(_size_of_cap(font.family(), bold, cap_px))
    return font


def style_sheet(theme: Theme, sizes: Sizes) -> str:
    """Return the style of buttons, fields and lists."""
    touch, text = sizes.touch_px, sizes.text_px
    radius = sizes.whole_px(6, least=3)
    return f"""
    QWidget {{ font-size: {text}px; color: {theme.ink}; }}
    #bench, #page {{ background: {theme.bench}; }}
    #callout {{
        background: {theme.face}; border: 3px solid {theme.second}; border-radius: {radius}px; }}
    #callout QScrollArea, #callout #words {{ background: {theme.face}; }}
    QPushButton, QComboBox, QLineEdit {{
        min-height: {touch - 4}px; padding: 0 {sizes.whole_px(12) + 2}px;
        background: {theme.panel}; border: 2px solid {theme.line}; border-radius: {radius}px; }}
    QPushButton:pressed {{ background: {theme.line}; }}
    QPushButton:disabled {{ color: {theme.faint}; border-style: dashed; }}
    QPushButton:checked {{ border: 2px solid {theme.ink}; background: {theme.face}; }}
    QPushButton[next="true"] {{
        background: {theme.good}; color: {theme.on_accent}; border-color: {theme.good};
        font-weight: bold; }}
    QPushButton:focus, QComboBox:focus, QLineEdit:focus, QListWidget:focus, QTextBrowser:focus {{
        border: 3px solid {theme.second}; }}
    QLineEdit, QListWidget, QTextBrowser {{ background: {theme.face}; }}
    QLineEdit {{ placeholder-text-color: {theme.faint}; }}
    QListWidget, QTextBrowser {{ border: 2px solid {theme.line}; border-radius: {radius}px; }}
    QListWidget::item {{ min-height: {touch}px; padding: 0 {radius * 2}px; }}
    QListWidget::item:selected {{ background: {theme.second}; color: {theme.on_accent}; }}
    QScrollBar:vertical {{ width: {touch // 2}px; background: {theme.face}; margin: 0; }}
    QScrollBar::handle:vertical {{ background: {theme.line}; min-height: {touch}px; }}
    QScrollBar::add-line, QScrollBar::sub-line {{ height: 0; }}
    QComboBox::drop-down {{ width: {touch // 2}px; border: none; }}
    QComboBox QAbstractItemView {{ background: {theme.face}; }}
    QMenu {{ menu-scrollable: 1; background: {theme.face}; border: 2px solid {theme.line}; }}
    QMenu::item {{ padding: 0 {radius * 2}px; }}
    QMenu::item:selected {{ background: {theme.second}; color: {theme.on_accent}; }}
    QMenu::scroller {{ height: {touch}px; }}
    #source {{ font-weight: bold; }}
    #read {{ font-size: {sizes.whole_px(22, least=12)}px; }}
    QLabel[quiet="true"] {{ color: {theme.faint}; }}
    QLabel[strong="true"] {{ font-weight: bold; }}
    QLabel[title="true"] {{ font-size: {round(text * 1.6)}px; font-weight: bold; }}
    QToolTip {{ color: {theme.ink}; background: {theme.face}; border: 1px solid {theme.line}; }}
    """
