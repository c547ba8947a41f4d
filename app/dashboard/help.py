"""The first page: what the tool cannot do, what can hurt, and the keys."""

from __future__ import annotations

from html import escape

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QHBoxLayout, QTextBrowser, QVBoxLayout, QWidget

from app.dashboard.buttons import TouchButton
from app.dashboard.words import translate


def cannot_do() -> tuple[str, ...]:
    """Return what something other than this tool must do to the drive."""
    return (
        translate("help", "select the drive and turn its motor"),
        translate("help", "hold the alignment track with the stepper energised"),
        translate("help", "step away from the track and come back to it"),
    )


def cautions() -> tuple[str, ...]:
    """Return what can hurt a person, a drive or a disk."""
    return (
        translate(
            "help",
            "Local electrical rules and licensed practice come first; nothing here replaces them.",
        ),
        translate(
            "help",
            "An open power supply has mains on bare metal: cover it, or leave it to somebody who "
            "is licensed for it.",
        ),
        translate(
            "help",
            "A scope probe's ground clip is earth: never on a live node, and never two clips on "
            "two potentials.",
        ),
        translate(
            "help",
            "A line input takes about 2 V and no DC: put series resistors and isolation before it.",
        ),
        translate("help", "Belt, hub and spindle move: keep fingers, hair and sleeves away."),
        translate(
            "help",
            "Never write with the alignment disk in the drive: prove the write-protect sensor with "
            "a scratch disk first.",
        ),
    )


def keys() -> tuple[tuple[str, str], ...]:
    """Return each key with what it does."""
    return (
        ("F1", translate("help", "this page")),
        ("F2", translate("help", "choose the source")),
        ("F3", translate("help", "show which side is outward (teach the sign)")),
        (translate("help", "Enter"), translate("help", "do the next thing that the line offers")),
        (translate("help", "Space"), translate("help", "freeze the trace, or let it follow")),
        ("F4", translate("help", "offset in µm or mil")),
        ("F6", translate("help", "hold a turn as a reference, or let it go")),
        ("F7", translate("help", "open again with an index on one input")),
        ("F8", translate("help", "at the sources: look again")),
        ("F9", translate("help", "save a picture of the window")),
        ("F11", translate("help", "the whole screen")),
        ("← →", translate("help", "virtual drive: nudge; with Shift by more")),
        ("PgUp PgDn", translate("help", "virtual drive: step out, step in")),
        ("F5", translate("help", "virtual drive: reseat the disk")),
        ("Tab", translate("help", "go from control to control; Esc goes back to the needle")),
    )


def _items(sentences: tuple[str, ...]) -> str:
    return (
        "<ul>"
        + "".join(f"<li style='margin-bottom: 6px'>{escape(each)}</li>" for each in sentences)
        + "</ul>"
    )


def help_html() -> str:
    """Return the page."""
    rows = "".join(
        f"<tr><td><b>{escape(key)}</b></td><td>{escape(words)}</td></tr>" for key, words in keys()
    )
    purpose = translate(
        "help",
        "Evenlobe shows whether the two lobes of an alignment disk's radial pattern are even "
        "while a hand moves the stepper's body. It only listens.",
    )
    parts = (
        f"<h2>{escape(translate('help', 'Even lobes, while the hand moves'))}</h2>",
        f"<p>{escape(purpose)}</p><table width='100%' cellspacing='8'><tr><td width='57%'>",
        f"<h3>{escape(translate('help', 'What it cannot do: something else must'))}</h3>",
        _items(cannot_do()),
        f"<h3>⚠ {escape(translate('help', 'Before a hand goes in'))}</h3>",
        _items(cautions()),
        f"</td><td><h3>{escape(translate('help', 'Keys'))}</h3>",
        f"<table cellpadding='3'>{rows}</table></td></tr></table>",
    )
    return "".join(parts)


class FirstPage(QWidget):
    """The first page, and its two ways on."""

    choose = Signal()
    """To the choice of a source."""
    left = Signal()
    """Back to the needle."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("page")
        self._text = QTextBrowser(self)
        self._text.setObjectName("first")
        self._text.document().setDocumentMargin(16)
        self._text.setHtml(help_html())
        self._text.setAccessibleName(self.tr("What the tool cannot do, cautions and keys"))
        self._on = TouchButton(
            self.tr("Choose a source"), "⏎", self.tr("Go on to the sources"), self.choose.emit
        )
        self._on.set_next(True)
        back = TouchButton(
            self.tr("To the needle"), "Esc", self.tr("Go to the needle"), self.left.emit
        )
        buttons = QHBoxLayout()
        buttons.addWidget(self._on)
        buttons.addWidget(back)
        buttons.addStretch(1)
        layout = QVBoxLayout(self)
        layout.addWidget(self._text, 1)
        layout.addLayout(buttons)

    def come(self) -> None:
        """Make ready for the keyboard: Enter goes on."""
        self._on.setFocus()
