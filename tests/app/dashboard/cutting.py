"""What a person could not read in a window: words with too little room, and parts over an edge."""

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QFontMetricsF
from PySide6.QtWidgets import (
    QAbstractButton,
    QLabel,
    QLineEdit,
    QScrollArea,
    QTextBrowser,
)

from app.dashboard.forms import typing_px
from app.dashboard.widgets import FittedText, FlowRow, NamedList, Picker

EDGE_PX = 3
"""Of a field that has the keys."""


def cut(window):
    """Return what is written in less room than its words take, whatever it is written on."""
    found = [_said(each) for each in _shown(window, QLabel) if each.text() and _is_cut(each)]
    found += [_said(each) for each in _shown(window, QAbstractButton) if _is_small(each)]
    found += [
        f"{each.currentText()}: {each.width()} of {each.needed_px}"
        for each in _shown(window, Picker)
        if each.width() < each.needed_px or each.height() < each.minimumSizeHint().height()
    ]
    found += [
        f"{each.accessibleName()}: {each.height()}"
        for each in _shown(window, QLineEdit)
        if each.height() < each.fontMetrics().height() + 2 * EDGE_PX
    ]
    found += [
        f"{each.accessibleName()}: {each.placeholderText()}"
        for each in _shown(window, QLineEdit)
        if not each.text() and _wide(each, each.placeholderText()) > typing_px(each)
    ]
    for listed in _shown(window, NamedList):
        words = [part for row in range(listed.count()) for part in _parts(listed, row)]
        found += [each for each in words if _wide(listed, each) > listed.viewport().width()]
    for widget in _shown(window, FittedText):
        needed = _needed_for(widget)
        if needed.height() > widget.height() or needed.width() > widget.width():
            found.append(widget.words)
    return found


def beyond(window):
    """Return what goes past the sides of what it scrolls in, or past the row that it stands in."""
    areas = _shown(window, QScrollArea)
    wide = [each for each in areas if each.widget().width() > each.viewport().width()]
    texts = _shown(window, QTextBrowser)
    wide += [each for each in texts if each.document().idealWidth() > each.viewport().width()]
    return [f"{each.accessibleName() or each}" for each in wide] + [
        f"{part.accessibleName()} in its row"
        for row in _shown(window, FlowRow)
        for part in row.children()
        if part.isVisible() and not row.rect().contains(part.geometry())
    ]


def _shown(window, kind):
    return [each for each in window.findChildren(kind) if each.isVisible()]


def _wide(widget, words):
    return widget.fontMetrics().horizontalAdvance(words)


def _parts(listed, row):
    """Return what a row cannot go on behind in its next line."""
    words = listed.itemDelegate().displayText(listed.item(row).text(), listed.locale())
    return words.replace("\u200b", " ").split()


def _said(widget):
    return f"{widget.text()}: {widget.size().toTuple()}"


def _is_cut(label):
    if not label.wordWrap():
        return _is_small(label)
    return label.height() < label.heightForWidth(label.width())


def _is_small(widget):
    least = widget.minimumSizeHint().width(), widget.sizeHint().height()
    return bool(widget.text()) and (widget.width() < least[0] or widget.height() < least[1])


def _needed_for(widget):
    """The room of words at the smallest size that they may have."""
    font = widget.font()
    font.setPixelSize(8)
    flags = int(Qt.AlignmentFlag.AlignLeft) | int(Qt.TextFlag.TextWordWrap)
    return QFontMetricsF(font).boundingRect(QRectF(widget.rect()), flags, widget.words)
