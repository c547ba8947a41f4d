"""The bar above every page: what is open, a remark, buttons, and the menu."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from PySide6.QtCore import Qt, QUrl
from PySide6.QtGui import QDesktopServices
from PySide6.QtWidgets import QHBoxLayout, QLabel, QMenu, QSizePolicy, QWidget

from app.dashboard.needle_page.status import class_words, source_words
from app.dashboard.widgets import TouchButton, key_words, laid, named
from app.live.view import View
from app.profiles import Profile

_BAR_WIDTH = 960
"""In a narrower window the buttons go into the menu."""


@dataclass(frozen=True, slots=True)
class MenuEntry:
    """One thing that the window does; one with a description of it is a button too."""

    words: str
    hotkey: str
    do: Callable[[], object]
    about: str = ""


class TopBar(QWidget):
    """What is open in words, a remark beside it, and the buttons that every page has.

    `entries` are those of the menu; those with a description are buttons too.
    """

    def __init__(self, entries: Sequence[MenuEntry], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._state = self._remark = self._class = ""
        self._kept_in: Path | None = None
        self._source = named(QLabel(self), self.tr("Open source"))
        self._source.setObjectName("source")
        self._source.setTextFormat(Qt.TextFormat.PlainText)
        # Its words never widen the window.
        self._source.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self._entries = tuple(entries)
        self._buttons = [
            TouchButton(each.words, each.hotkey, each.about, each.do, self)
            for each in self._entries
            if each.about
        ]
        about = self.tr("All pages, and what else the window does")
        self._menu = TouchButton("☰", "", about, self.show_menu, self)
        self._menu.setAccessibleName(self.tr("Menu"))
        self._source.setWordWrap(True)
        folder = self.tr("Show the folder of what was saved")
        self._folder = TouchButton(self.tr("Folder"), "", folder, self.open_folder, self)
        self._folder.hide()
        buttons_shown = (self._folder, *self._buttons, self._menu)
        laid(QHBoxLayout(self), (self._source, 1), *buttons_shown, flush=True)

    @property
    def words(self) -> str:
        """What is shown."""
        return self._source.text()

    def show_menu(self) -> None:
        """Show all pages, and what else the window does, below the menu's button."""
        menu = QMenu(self)
        for each in self._entries:
            menu.addAction(f"{each.words}\t{key_words(each.hotkey)}".rstrip()).triggered.connect(
                each.do
            )
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
        self._menu.setMinimumWidth(touch_px)
        for button in self._buttons:
            button.setVisible(width >= _BAR_WIDTH)

    def remark(self, words: str, folder: Path | None = None) -> None:
        """Add a remark, in place of the last one, with the folder of what it names."""
        self._remark, self._kept_in = words, folder
        self._folder.setVisible(folder is not None)
        self._show()

    def open_folder(self) -> None:
        """Show the folder of what was saved last, in the system's own file manager."""
        if self._kept_in is not None:
            QDesktopServices.openUrl(QUrl.fromLocalFile(str(self._kept_in)))

    def refresh(self, view: View, profile: Profile) -> None:
        """Show what is open, and by which class, disk and scale it is measured."""
        self._state, self._class = source_words(view), class_words(profile)
        self._show()

    def _show(self) -> None:
        words = "  ·  ".join(filter(None, (self._remark, self._state))), self._class
        self._source.setText("\n".join(words))
        self._source.setToolTip("\n".join(words))
