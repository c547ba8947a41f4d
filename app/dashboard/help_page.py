"""The first page: what to do next, what the tool cannot do, what can hurt, and the handbook."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from html import escape
from pathlib import Path

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QResizeEvent, QTextCursor, QTextOption
from PySide6.QtWidgets import QTextBrowser, QVBoxLayout, QWidget

from app.dashboard.forms import Hint
from app.dashboard.next_list import NextList
from app.dashboard.settings import Settings
from app.dashboard.text import translate
from app.dashboard.widgets import FILLS, Field, Page, TouchButton, button_row, laid, named
from app.handbook import TERMS, TOPICS, Topic, TopicTable
from app.live.view import Listing

_LEAST_PX = 40
"""Of the text, in a window that has little room for it beside the list."""
_NARROW, _WIDE = 18, 36
"""Of a table's width in percent: its first column, where that has words or whole sentences."""
_LONG_PART = 40
CANNOT_DO = (
    "select the drive and turn its motor",
    "hold the alignment track with the stepper energised",
    "step away from the track and come back to it",
)

CAUTIONS = (
    "Local electrical rules and licensed practice come first; nothing here replaces them.",
    (
        "An open power supply has mains on bare metal: cover it, or leave it to somebody who "
        "is licensed for it."
    ),
    (
        "A scope probe's ground clip is earth: never on a live node, and never two clips on "
        "two potentials."
    ),
    "A line input takes about 2 V and no DC: put series resistors and isolation before it.",
    "Belt, hub and spindle move: keep fingers, hair and sleeves away.",
    (
        "Never write with the alignment disk in the drive: prove the write-protect sensor with "
        "a scratch disk first."
    ),
)

WIRING = (
    (
        "Two ×10 probes",
        (
            "Channel 1 on one phase of the read amplifier's differential test points, channel "
            "2 on the other. Compensate both alike on the scope's calibrator first, and set "
            "the same factor at the probes and in the channels' menus: a mismatch lets hum and "
            "noise through. Not the maths channel: it subtracts extremes that were kept "
            "already, and the lobes cancel in it."
        ),
    ),
    (
        "One ground clip only",
        (
            "One probe's clip goes to the drive's signal ground beside the test points; the "
            "other clip stays off and away. Neither clip goes to a test point: both are the "
            "scope's earth. Before the clip goes on, measure the voltage between that ground "
            "and earth with a meter: there must be none, AC or DC."
        ),
    ),
    (
        "Index trigger",
        (
            "Channel 3 on the drive's index signal, DC coupled: a record then begins at the "
            "index, and the side is known. Or the external trigger input with "
            "trigger=external: the side is then known where the scope tells with each record "
            "where it begins. With neither: trigger=free, and the side is not told."
        ),
    ),
    (
        "Where the scope's earth is the drive's",
        (
            "A mains scope and a drive on an earthed supply share earth already: a ground "
            "clip closes a loop, and on a wrong node it shorts that node to earth. Prefer "
            "leaving both clips off and measuring channel 1 − channel 2, or use a "
            "differential probe of the right rating. A battery-powered scope floats until "
            "its USB or network lead makes it earth again. Never lift the protective earth of "
            "the scope or the drive. If in doubt, ask somebody who is licensed."
        ),
    ),
)

STEPS = (
    (
        "What it is",
        (
            "Something that can step the drive, stated with --steps when the program is started: "
            "a serial port or a program that answers a line of text with one of its own. A job "
            "then seeks and arrives by itself; “evenlobe steps --help” has the words."
        ),
    ),
    (
        "Hands off, and hands on",
        (
            "The head moves without a warning of its own: keep away from carriage and belt. Enter "
            "takes over at any time, Shift and Enter give back. Where the line answers wrongly, "
            "late or by halves, or the lobes do not go when it says so, it is given up with the "
            "reason, the needle rests if the head may be elsewhere, and the hands go on."
        ),
    ),
    (
        "The write gate",
        (
            "The line has no word for writing. Hold the write gate off in hardware all the same: "
            "leave its conductor to the drive unconnected, pull it to the logic's 5 V by 1 kΩ, and "
            "measure more than 2.4 V on it with everything on, before the alignment disk goes in. "
            "A covered notch is the second lock, not the first."
        ),
    ),
)

PROBES = (
    (
        "Resistors alone",
        (
            "10 kΩ at each tip, 2.2 kΩ behind the cable, 100 nF to each channel of a line input: "
            "for carriers up to 0.45 of the card's rate."
        ),
    ),
    (
        "A mixer",
        (
            "A difference amplifier and a switch at 96 kHz: 125 kHz comes out at 29 kHz. Linear, "
            "and the best of the three for a sound card; mixed_hz=96000 in the address says so."
        ),
    ),
    (
        "A full-wave detector",
        (
            "A diode on each leg: the envelope of any carrier, less a threshold that is to be "
            "stated. “evenlobe probes NAME” has the values, their reasons and cautions of each; "
            "README has the drawings."
        ),
    ),
)

KEYS = (
    ("F1", "this page"),
    ("⇧ F1", "what each word on needle, figures and state means; a touch on it does so too"),
    ("F2", "choose the source"),
    ("F3", "show which side is outward (teach the sign)"),
    ("Enter ⏎", "do the next thing, of the line above the needle or of the job"),
    ("↑ ↓", "job: look at another check; Enter takes it in hand"),
    ("⌫", "job: take back the last answer, stop measuring, or look at the check before"),
    ("⇧ Enter", "job, virtual drive: let the virtual hand do it; by wire: let the line step again"),
    ("Space", "freeze the trace, or let it follow; a capture pauses, and plays on"),
    ("F4", "offset in µm or mil"),
    ("F6", "hold a turn as a reference, or let it go"),
    ("F7", "open again with an index on one input"),
    ("F8", "job: leave out a check; at the sources: look again"),
    ("⇧ F8", "close the job"),
    ("F9", "save a picture of the window"),
    ("F10", "job: the aim, for the middle of the hysteresis, as the needle's zero"),
    ("⇧ F10", "job: choose where the head is to be: the aim, and the way back"),
    ("F11", "the whole screen"),
    ("Ctrl B", "keep the last minute of samples and readings: the black box"),
    ("Ctrl D", "colours: the system's, light, dark, high contrast"),
    (
        "Ctrl K",
        "learn a key, as a pedal sends it, for going on: it does what Enter does at the needle, "
        "once however long it is held, and gives no answer of several; the menu forgets it",
    ),
    ("Ctrl L", "layout for the other hand: job, buttons and bars change sides"),
    (
        "Number pad",
        "layout for the left hand, keys for the right, where nothing is typed: Enter goes on, "
        "measures and does again, 0 takes back, the decimal key leaves out a check, 8 and 2 look "
        "at another check, 4 and 6 nudge the virtual drive",
    ),
    ("Ctrl M", "reduced motion: the needle jumps from reading to reading, nothing blinks or fades"),
    ("Home", "needle and ask as large as can be, or all parts again"),
    ("End", "the trace over the whole window, or all parts again"),
    (
        "+ − Ctrl+← Ctrl+→",
        "large trace: zoom, and look further; wheel, drag and two fingers do so too",
    ),
    (
        "Ctrl+PgUp Ctrl+PgDn",
        "large trace: a turn back, a turn on, with Shift ten seconds; the bar, and the wheel with "
        "Shift, do so too; a capture goes on as far at once. The envelope of ten minutes is kept "
        "(64 MB at most), the samples of the last 20 turns (128 MB at most)",
    ),
    ("Ctrl+End", "large trace: from the past back to now"),
    ("Ctrl+S", "large trace: keep it as CSV, PNG and SVG, its samples as WAV too"),
    ("Ctrl+O Ctrl+Q", "open a capture; close the window"),
    ("Ctrl+F", "find words on this page"),
    ("F12", "drives, their history, and where a job begins"),
    ("Ctrl T", "hear the needle; Ctrl ↑ and Ctrl ↓ set its level"),
    ("Ctrl R", "have needle and job read aloud, where the system has a speech"),
    ("Ctrl+⇧+R", "have said again how the needle stands and what is asked, by a screen reader too"),
    ("← →", "virtual drive: nudge; with Shift by more"),
    ("PgUp PgDn", "virtual drive: step out, step in"),
    ("F5", "virtual drive: reseat the disk"),
    ("Tab", "go from control to control; Esc goes back to the needle"),
)


def _translated(words: str) -> str:
    return translate("help", words)


def cannot_do() -> tuple[str, ...]:
    """Return what something other than this tool must do to the drive."""
    return tuple(map(_translated, CANNOT_DO))


def cautions() -> tuple[str, ...]:
    """Return what can hurt a person, a drive or a disk."""
    return tuple(map(_translated, CAUTIONS))


def wiring() -> tuple[tuple[str, str], ...]:
    """Return how a scope is wired, part by part."""
    return tuple((_translated(what), _translated(words)) for what, words in WIRING)


def steps() -> tuple[tuple[str, str], ...]:
    """Return what is to be known of a line that steps the drive, part by part."""
    return tuple((_translated(what), _translated(words)) for what, words in STEPS)


def probes() -> tuple[tuple[str, str], ...]:
    """Return what is to be known of probes for a sound card, one by one."""
    return tuple((_translated(what), _translated(words)) for what, words in PROBES)


def keys() -> tuple[tuple[str, str], ...]:
    """Return each key with what it does."""
    return tuple((_translated(what), _translated(words)) for what, words in KEYS)


def _items(sentences: tuple[str, ...]) -> str:
    items = (f"<li style='margin-bottom: 6px'>{escape(each)}</li>" for each in sentences)
    return f"<ul>{''.join(items)}</ul>"


def _table(parts: tuple[tuple[str, str], ...]) -> str:
    return _rows((part, words, "") for part, words in parts)


def _rows(rows: Iterable[tuple[str, str, str]]) -> str:
    """Return a table of parts, each with its words and the name by which it is shown."""
    rows = list(rows)
    wide = _WIDE if max(len(part) for part, _, _ in rows) > _LONG_PART else _NARROW
    lines = (
        f"<tr><td width='{wide}%'><a name='{escape(name)}'></a><b>{escape(part)}</b></td>"
        f"<td>{escape(words)}</td></tr>"
        for part, words, name in rows
    )
    return f"<table width='100%' cellpadding='6'>{''.join(lines)}</table>"


def _topic(topic: Topic) -> str:
    parts = [f"<h3>{escape(_translated(topic.title))}</h3>"]
    for block in topic.body:
        if isinstance(block, TopicTable):
            parts.append(
                _rows(
                    (_translated(what), _translated(words), _place_of(topic, what))
                    for what, words in block.rows
                )
            )
        else:
            parts.append(f"<p>{escape(_translated(block))}</p>")
    return "".join(parts)


def _place_of(topic: Topic, what: str) -> str:
    """Return by what name a row of a topic is found."""
    return f"{topic.name}/{what}"


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
        f"<h3>⚠ {escape(translate('help', 'Wiring a scope'))}</h3>",
        _table(wiring()),
        f"<h3>⚠ {escape(translate('help', 'Probes for a sound card'))}</h3>",
        _table(probes()),
        f"<h3>⚠ {escape(translate('help', 'Steps by wire'))}</h3>",
        _table(steps()),
        *(_topic(topic) for topic in TOPICS.values()),
    )
    return "".join(parts)


class HelpPage(Page):
    """The first page; from it one goes on to what is to be done next, or to the needle.

    `book` is the job book's file, the user's own when None; `attached` lists what sources there
    are.
    """

    choose = Signal()
    """Choose a source."""

    def __init__(
        self,
        book: Path | None,
        settings: Settings,
        attached: Callable[[], Listing],
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        about = self.tr("What the tool cannot do, cautions, keys and wiring")
        self._text = named(QTextBrowser(self), about)
        self._text.setObjectName("read")
        self._text.setMinimumHeight(_LEAST_PX)
        self._text.document().setDocumentMargin(16)
        # Else a table is as wide as the longest words in it, of which one would see a part.
        self._text.setWordWrapMode(QTextOption.WrapMode.WrapAtWordBoundaryOrAnywhere)
        self._text.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self._text.setHtml(help_html())
        self.list = NextList(book, settings, attached, self)
        self.list.refused.connect(self.say)
        self.list.listed.connect(self._lead_on)
        anywhere = self.tr("Words to be found on this page; Enter goes from place to place")
        self._wanted = Field(self.tr("Find"), anywhere, self)
        self._hint = Hint(self._wanted, anywhere)
        self._wanted.returnPressed.connect(self._find_next)
        for part in (self._wanted, self._status):
            part.hide()
        on, back = self.tr("Go on to the sources"), self.tr("Go to the needle")
        self._on = TouchButton(self.tr("Choose a source"), "⏎", on, self.choose.emit, is_next=True)
        find = TouchButton(self.tr("Find"), "Ctrl+F", anywhere, self.ask_for_words)
        to_needle = TouchButton(self.tr("To the needle"), "Esc", back, self.back.emit)
        row = button_row(self._on, find, to_needle)
        parts = (self._wanted, self._hint, self._status, (self._text, FILLS), self.list, row)
        self._column = laid(QVBoxLayout(self), *parts, flush=True)

    def activate(self, open_now: str, *, at_work: bool) -> None:
        """Get ready for the keyboard: Enter does what is the most likely.

        Parameters
        ----------
        open_now : str
            Address of the source that is open; empty where none is.
        at_work : bool
            Whether a job is in hand.
        """
        self.say("")
        self._wanted.hide()
        self.list.activate(open_now, at_work=at_work)
        self.list.fit(self.height())
        (self.list if self.list.leads_on else self._on).setFocus()

    def _lead_on(self) -> None:
        """Give the list its room, and the keys to the button where it leads to nothing."""
        self.list.fit(self.height())
        if self.list.hasFocus() and not self.list.leads_on and self.list.currentRow() < 0:
            self._on.setFocus()

    def refresh(self) -> None:
        """Show what the book has answered, and what Enter does now."""
        self.list.refresh()
        chosen = self.list.hasFocus() and self.list.currentRow() >= 0
        is_next = not chosen and not self._wanted.hasFocus()
        self._on.set_next(is_next)
        self._on.set_key("⏎" if is_next else "F2")

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        """Give the list its part of the room."""
        super().resizeEvent(event)
        self.list.fit(self.height())

    def say(self, words: str) -> None:
        """Say how something went, in a line that is there only then."""
        super().say(words)
        self._status.setVisible(bool(words))

    def ask_for_words(self) -> None:
        """Ask for words to be found."""
        self._wanted.show()
        self._wanted.setFocus()
        self._wanted.selectAll()

    def show_term(self, term: str) -> None:
        """Show where the handbook has a term."""
        self._text.setFocus()
        self._text.scrollToAnchor(_place_of(TERMS, term))

    def _find_next(self) -> None:
        """Show the next place that has the words; behind the last one comes the first."""
        wanted = self._wanted.text().strip()
        if not wanted:
            return
        count = self._text.toPlainText().casefold().count(wanted.casefold())
        if count:
            self.say(self.tr("“{0}”: places on this page: {1}").format(wanted, count))
        else:
            self.say(self.tr("“{0}” is nowhere on this page.").format(wanted))
        # What is said takes room from the text, in which the place is to be seen.
        self._column.activate()
        if not self._text.find(wanted):
            self._text.moveCursor(QTextCursor.MoveOperation.Start)
            self._text.find(wanted)
