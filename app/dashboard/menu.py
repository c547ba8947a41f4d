"""What the window's menu has; its first entries are buttons of the top bar too."""

from __future__ import annotations

from typing import TYPE_CHECKING

from app.dashboard.top_bar import MenuEntry

if TYPE_CHECKING:
    from app.dashboard.window import MainWindow


def entries_of(window: MainWindow) -> list[MenuEntry]:
    """Return what the menu has; its first ones are buttons too."""
    page = window.needle_page
    drives = window.tr("Drives of the job book, and where a job begins")
    about = window.tr("What the tool cannot do, cautions, keys")
    picture = window.tr("Save a picture of the window")
    return [
        MenuEntry(window.tr("Source"), "F2", window.show_sources, window.tr("Choose the source")),
        MenuEntry(window.tr("Drives"), "F12", window.show_drives, drives),
        MenuEntry(window.tr("µm / mil"), "F4", page.toggle_unit, window.tr("Offset in µm or mil")),
        MenuEntry(window.tr("Picture"), "F9", window.keeper.keep_picture, picture),
        MenuEntry(window.tr("Help"), "F1", window.show_help, about),
        MenuEntry(window.tr("A tour of the window"), "", lambda: window.tour.begin()),
        MenuEntry(window.tr("What the words here mean"), "Shift+F1", window.explain),
        MenuEntry(window.tr("The whole screen"), "F11", window.toggle_full_screen),
        MenuEntry(
            window.tr("Colours: light, dark, high contrast"), "Ctrl+D", window.looks.next_colours
        ),
        MenuEntry(window.tr("Layout for the other hand"), "Ctrl+L", window.looks.change_hand),
        MenuEntry(window.tr("Reduced motion, or as usual"), "Ctrl+M", window.looks.change_motion),
        MenuEntry(
            window.tr("Learn a key or pedal for going on"), "Ctrl+K", lambda: window.learned.learn()
        ),
        MenuEntry(window.tr("Forget the learned key"), "", lambda: window.learned.forget()),
        MenuEntry(window.tr("Language"), "", window.looks.next_language),
        MenuEntry(window.tr("Large, to be read from afar"), "Home", page.toggle_far),
        MenuEntry(window.tr("Large trace"), "End", page.toggle_large),
        MenuEntry(window.tr("Practice: a drive with a hidden fault"), "", window.show_practice),
        MenuEntry(window.tr("Debrief: what the practice drive hid"), "", window.show_debrief),
        MenuEntry(
            window.tr("Keep the last minute: the black box"),
            "Ctrl+B",
            window.keeper.keep_last_minute,
        ),
        MenuEntry(
            window.tr("Copy diagnostics, for a report of a fault"), "", window.copy_diagnostics
        ),
    ]
