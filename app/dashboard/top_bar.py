"""The bar above every page: what is open, buttons and the menu, and a remark."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from PySide6.QtCore import QEvent, Qt, QTimer, QUrl
from PySide6.QtGui import QDesktopServices, QResizeEvent
from PySide6.QtWidgets import (
    QBoxLayout,
    QHBoxLayout,
    QLabel,
    QMenu,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from app.dashboard.needle_page.status import class_words, source_parts
from app.dashboard.plain import plain, tip
from app.dashboard.widgets import FILLS, TouchButton, across, announce, key_words, laid, named
from app.live.view import View
from app.profiles import Profile

_PASSING_MS = 8000
_BAR_WIDTH = 960
"""In a narrower window the buttons go into the menu."""
_MENU_FRAME_PX = 8
_NEARLY = 0.7
"""Of the height of a button, a row of the menu at least."""


@dataclass(frozen=True, slots=True)
class MenuEntry:
    """One thing that the window does; one with a description of it is a button too."""

    words: str
    hotkey: str
    do: Callable[[], object]
    about: str = ""


class SourceLabel(QLabel):
    """One line: what is too long for it loses the middle of its own middle part.

    The whole is in its tool tip and in what a screen reader is told.
    """

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._parts = ("", "", "")
        self.setTextFormat(Qt.TextFormat.PlainText)
        # Its words never widen the window.
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)

    @property
    def words(self) -> str:
        """All of the words."""
        return "".join(self._parts)

    def say(self, before: str, middle: str, after: str) -> None:
        """Show words, of which the middle part may be cut."""
        parts = plain(before), plain(middle), plain(after)
        if parts != self._parts:
            self._parts = parts
            self.setToolTip(tip(self.words))
            self.setAccessibleDescription(self.words)
            self._fit()

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        """Cut no more than the new width makes needful."""
        super().resizeEvent(event)
        self._fit()

    def changeEvent(self, event: QEvent) -> None:  # noqa: N802
        """Measure the words anew in another font."""
        super().changeEvent(event)
        if event.type() is QEvent.Type.FontChange:
            self._fit()

    def _fit(self) -> None:
        before, middle, after = self._parts
        metrics = self.fontMetrics()
        room = self.contentsRect().width() - metrics.horizontalAdvance(before + after)
        fits = metrics.elidedText(middle, Qt.TextElideMode.ElideMiddle, max(0, room))
        self.setText(f"{before}{fits}{after}")


class TopBar(QWidget):
    """What is open in words, the buttons that every page has, and below them a remark.

    `entries` are those of the menu; those with a description are buttons too.
    """

    def __init__(self, entries: Sequence[MenuEntry], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._kept_in: Path | None = None
        self._touch_px = 46
        self._passes = QTimer(self, interval=_PASSING_MS, singleShot=True)
        self._passes.timeout.connect(lambda: self.remark(""))
        self._source = named(SourceLabel(self), self.tr("Open source"))
        self._source.setObjectName("source")
        self._class = named(QLabel(self), self.tr("Drive class and alignment disk"))
        self._remark = named(QLabel(self), self.tr("Remark"))
        for label in (self._class, self._remark):
            label.setTextFormat(Qt.TextFormat.PlainText)
            label.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
            label.setWordWrap(True)
        self._entries = tuple(entries)
        self._buttons = [
            TouchButton(each.words, each.hotkey, each.about, each.do, self)
            for each in self._entries
            if each.about
        ]
        about = self.tr("All pages, and what else the window does")
        self._menu = TouchButton("☰", "", about, self.show_menu, self)
        self._menu.setAccessibleName(self.tr("Menu"))
        folder, away = self.tr("Show the folder of what was saved"), self.tr("Put the remark away")
        self._folder = TouchButton(self.tr("Folder"), "", folder, self.open_folder, self)
        self._away = TouchButton("✕", "", away, lambda: self.remark(""), self)
        self._away.setAccessibleName(self.tr("Put away"))
        words = laid(QVBoxLayout(), 1, self._source, self._class, 1, flush=True)
        words.setSpacing(0)
        self._row = laid(QHBoxLayout(), (words, FILLS), *self._buttons, self._menu, flush=True)
        self._below = laid(
            QHBoxLayout(), (self._remark, FILLS), self._folder, self._away, flush=True
        )
        self._whole = laid(QVBoxLayout(self), self._row, self._below, flush=True)
        self.remark("")

    @property
    def words(self) -> str:
        """What is told: a remark, what is open, and by what it is measured."""
        told = filter(None, (self._remark.text(), self._source.words))
        return "\n".join(("  ·  ".join(told), self._class.text()))

    def stand_for(self, *, left_handed: bool) -> None:
        """Put the buttons at the side of the hand, the menu outermost."""
        for row in (self._row, self._below):
            row.setDirection(across(left_handed=left_handed))

    def focus_order(self) -> list[TouchButton]:
        """Return what the keyboard reaches, in the order of the eye."""
        rows = [*self._buttons, self._menu], [self._folder, self._away]
        if self._row.direction() is QBoxLayout.Direction.RightToLeft:
            rows = [row[::-1] for row in rows]
        return [button for row in rows for button in row]

    def show_menu(self) -> None:
        """Show all pages, and what else the window does, below the menu's button."""
        menu = QMenu(self)
        for each in self._entries:
            menu.addAction(f"{each.words}\t{key_words(each.hotkey)}".rstrip()).triggered.connect(
                each.do
            )
        rows = len(self._entries)
        shared_px = (self.screen().availableGeometry().height() - _MENU_FRAME_PX) // rows
        # Each as high as a finger needs, or nearly so where all are seen then; else it scrolls.
        nearly = shared_px >= _NEARLY * self._touch_px
        row_px = min(self._touch_px, shared_px) if nearly else self._touch_px
        menu.setStyleSheet(f"QMenu::item {{ min-height: {row_px}px; }}")
        menu.aboutToHide.connect(menu.deleteLater)
        menu.popup(self._menu.mapToGlobal(self._menu.rect().bottomLeft()))

    def button_of(self, hotkey: str) -> TouchButton:
        """Return the button of what a key does, and the menu's where that has none now."""
        shown = [each for each in self._entries if each.about]
        buttons = zip(shown, self._buttons, strict=True)
        found = [button for each, button in buttons if hotkey and each.hotkey == hotkey]
        return next((button for button in found if button.isVisible()), self._menu)

    def fit(self, width: int, touch_px: int) -> None:
        """Show the buttons where there is room for them; the menu has all of them anyway."""
        self._touch_px = touch_px
        for button in (self._menu, self._away):
            button.setMinimumWidth(touch_px)
        for button in self._buttons:
            button.setVisible(width >= _BAR_WIDTH)

    def remark(self, words: str, folder: Path | None = None, *, passing: bool = False) -> None:
        """Say something in place of what was said last, with the folder of what it names.

        A `passing` remark confirms what was done and can be seen anyway: it goes by itself.
        """
        self._kept_in = folder
        self._passes.start() if passing else self._passes.stop()
        words = plain(words)
        if words and words != self._remark.text():
            announce(self, words)
        self._remark.setText(words)
        self._remark.setToolTip(tip(words))
        for part in (self._remark, self._away):
            part.setVisible(bool(words))
        self._folder.setVisible(folder is not None)

    def open_folder(self) -> None:
        """Show the folder of what was saved last, in the system's own file manager."""
        if self._kept_in is not None:
            QDesktopServices.openUrl(QUrl.fromLocalFile(str(self._kept_in)))

    def refresh(self, view: View, profile: Profile) -> None:
        """Show what is open, and by which class, disk and scale it is measured."""
        self._source.say(*source_parts(view))
        words = class_words(profile)
        if words != self._class.text():
            self._class.setText(words)
            self._class.setToolTip(tip(words))
