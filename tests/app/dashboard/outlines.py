"""A widget's rows and columns in words, with what stretches."""

from PySide6.QtWidgets import QBoxLayout, QGridLayout, QLabel, QScrollArea
from shiboken6 import invalidate

from app.dashboard.widgets import FlowRow, TouchButton


def outline(layout, depth=0):
    """A layout, a line for each thing in it: what it is, and its stretch after a star."""
    lines = []
    for place in range(layout.count()):
        item = layout.itemAt(place)
        stretch = layout.stretch(place) if isinstance(layout, QBoxLayout) else 0
        star = f" *{stretch}" if stretch else ""
        if isinstance(layout, QGridLayout):
            row, column, *_ = layout.getItemPosition(place)
            star = f" at {row},{column}"
        inner = item.layout()
        if inner is not None:
            lines.append(f"{'  ' * depth}{_direction(inner)}{star}")
            lines += outline(inner, depth + 1)
        elif item.widget() is None:
            lines.append(f"{'  ' * depth}room{star}")
        else:
            widget = item.widget()
            lines.append(f"{'  ' * depth}{_what(widget)}{star}")
            if isinstance(widget, QScrollArea) and widget.widgetResizable():
                lines += outline(widget.widget().layout(), depth + 1)
            if isinstance(widget, FlowRow):
                buttons = widget.findChildren(TouchButton)
                lines += [f"{'  ' * (depth + 1)}{_what(each)}" for each in buttons]
        if inner is None:
            # Qt deletes an item unseen: its Python object may not stand for what comes there next.
            invalidate(item)
    return lines


def _direction(layout):
    if isinstance(layout, QGridLayout):
        return "grid"
    across = layout.direction() == QBoxLayout.Direction.LeftToRight
    return "row" if across else "column"


def _what(widget):
    name = widget.accessibleName()
    words = widget.text() if isinstance(widget, QLabel) else ""
    return name or words or type(widget).__name__
