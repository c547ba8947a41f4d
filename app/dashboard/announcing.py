"""Words for a screen reader, said when something happens and not only where the focus is."""

from __future__ import annotations

from PySide6.QtGui import QAccessible, QAccessibleAnnouncementEvent
from PySide6.QtWidgets import QWidget


def announce(widget: QWidget, words: str, *, urgent: bool = False) -> None:
    """Have words said by a screen reader; `urgent` ones before what it is saying."""
    event = QAccessibleAnnouncementEvent(widget, words)
    if urgent:
        event.setPoliteness(QAccessible.AnnouncementPoliteness.Assertive)
    QAccessible.updateAccessibility(event)
