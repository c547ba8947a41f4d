"""The practice bench: a choice of virtual drives with a hidden fault, and the debrief after it.

What is hidden comes from the hands at the virtual drive, and is shown once the job is closed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from html import escape

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QLabel, QTextBrowser, QVBoxLayout, QWidget

from app.analysis.results import Quantity
from app.dashboard.settings import Choice
from app.dashboard.text import translate
from app.dashboard.widgets import NamedList, Page, TouchButton, button_row, laid, named
from app.job.budget import scale_part
from app.job.job import Job
from app.job.messages import NO_SIGN
from app.job.model import CheckName, Stage, Value
from app.live.opening import PRACTICES, Opening
from app.live.view import Truth
from app.numbers import MINUS, plus_minus

_SEEDS = 10_000
_LIST_PX = 150
_MARGIN_PX = 12
_CLASS = "130mm-48tpi"
"""Of the virtual drive."""


def fault_words(fault: str) -> str:
    """Return a kind of fault in words."""
    return {
        "drawn": translate("practice", "any fault: which one is not told"),
        "misaligned": translate("practice", "the stepper's body stands wrong: the head is off"),
        "loose-clamp": translate("practice", "the clamp is loose: each seating is another"),
        "sticky-positioner": translate("practice", "the positioner sticks: two places of rest"),
        "wrong-wiring": translate("practice", "a probe and the index are wired wrongly"),
        "worn-disk": translate("practice", "the alignment disk is worn"),
        "wrong-disk": translate("practice", "it is no alignment disk that is in the drive"),
        "two-heads": translate("practice", "the two heads do not stand alike"),
    }[fault]


def signs_of(fault: str) -> str:
    """Return by what a kind of fault could be told."""
    return {
        "misaligned": translate(
            "practice", "It could be told by the radial offset, which is as large for both heads."
        ),
        "loose-clamp": translate(
            "practice",
            "It could be told by the seatings: each gives another offset, so that none after them "
            "is certain.",
        ),
        "sticky-positioner": translate(
            "practice",
            "It could be told by the hysteresis: the head rests elsewhere when it comes from the "
            "other side.",
        ),
        "wrong-wiring": translate(
            "practice",
            "It could be told by the levels of plus and minus, of which one is far lower, and by "
            "the index, which has no pulses: the side is not known.",
        ),
        "worn-disk": translate(
            "practice",
            "It could be told by low levels, by a signal nearer to the noise than another disk's, "
            "and by larger uncertainties; the drive itself may be sound.",
        ),
        "wrong-disk": translate(
            "practice",
            "It could be told by the needle: carrier and speed are there, and no pattern of lobes.",
        ),
        "two-heads": translate(
            "practice",
            "It could be told by the radial offsets: one head is near its line when the other is "
            "not.",
        ),
    }[fault]


class PracticePage(Page):
    """A list of faults, one of which is hidden in the next virtual drive.

    `draw` returns a whole number from 0 up to, without, the one that it is given.
    """

    chosen = Signal(Choice)
    """Open this virtual drive."""

    def __init__(self, draw: Callable[[int], int], parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._draw = draw
        self._title.setText(self.tr("Practice: a virtual drive with a hidden fault"))
        self._title.setWordWrap(True)
        about = QLabel(
            self.tr(
                "Do the job on it as on a real drive: F12, a name for it, and what is asked. How "
                "large the fault is stays hidden, and of “any fault” the kind as well. When the "
                "job is closed, what was hidden stands beside what you found. All of it is marked "
                "as virtual."
            ),
            self,
        )
        about.setWordWrap(True)
        self._list = NamedList(
            self.tr("Faults"), self.tr("Arrows choose, Enter opens such a drive"), self
        )
        self._list.show_rows(map(fault_words, PRACTICES))
        self._list.asked.connect(self.open)
        opens = self.tr("Open a virtual drive with this fault")
        back = self.tr("Go back to the needle")
        buttons = button_row(
            TouchButton(self.tr("Open"), "⏎", opens, self.open, self, is_next=True),
            TouchButton(self.tr("Back"), "Esc", back, self.back.emit, self),
        )
        self._list.setMinimumHeight(_LIST_PX)
        self._lay_scrolling((self._title, about, self._list, self._status), buttons)

    def activate(self) -> None:
        """Get ready for the keyboard."""
        self._list.setCurrentRow(max(0, self._list.currentRow()))
        self._list.setFocus()

    def open(self) -> None:
        """Ask for a drive with the chosen fault, of a seed that is drawn now."""
        fault = PRACTICES[max(0, self._list.currentRow())]
        opening = Opening(f"sim:practice={fault}&seed={self._draw(_SEEDS)}")
        self.chosen.emit(Choice(opening, _CLASS))


def debrief_rows(truth: Truth, job: Job) -> tuple[tuple[str, str, str], ...]:
    """Return what was hidden: of what, the truth, and what was found of it."""
    found, left = job.as_found, job.as_left
    return (
        (
            translate("practice", "middle of head 0 as found"),
            _micrometres(truth.found_um),
            _found(found.offset_um, _sign(job, Stage.AS_FOUND)),
        ),
        (
            translate("practice", "middle of head 0 as left"),
            _micrometres(truth.left_um),
            _found(left.offset_um, _sign(job, Stage.AS_LEFT)),
        ),
        (
            translate("practice", "hysteresis of the positioner"),
            _micrometres(truth.hysteresis_um, sign=""),
            _found(left.hysteresis_um or found.hysteresis_um, sign=""),
        ),
        (
            translate("practice", "head 1 outward of head 0"),
            _micrometres(truth.apart_um),
            _found(_apart_um(job)),
        ),
        (
            translate("practice", "shift of the disk by a seating, root mean square"),
            _micrometres(truth.clamp_um, sign=""),
            _seatings(job),
        ),
    )


def _micrometres(value: float, sign: str = "+z") -> str:
    return f"{value:{sign}.1f} µm".replace("-", MINUS)


def _found(value: Value | Quantity | None, sign: str = "+z") -> str:
    if value is None:
        return translate("practice", "not measured")
    return plus_minus(value.value, value.u, " µm", sign=sign, minus=MINUS)


def _sign(job: Job, stage: Stage) -> str:
    """Return how the sign of an offset is written: not at all where its side was not known."""
    unsigned = any(
        each.check is CheckName.RADIAL and str(NO_SIGN) in each.reason
        for each in job.outcomes
        if each.stage is stage
    )
    return "" if unsigned else "+z"


def _apart_um(job: Job) -> Quantity | None:
    """Return how far head 1 is outward of head 0, as uncertain as the scale makes it too."""
    apart_um = job.known.apart_um
    if apart_um is None:
        return None
    of_scale = scale_part(job.profile, apart_um.value)
    return Quantity(apart_um.value, math.hypot(apart_um.u, of_scale.u))


def _seatings(job: Job) -> str:
    """Return what a seating's shift of the disk does to the offset, as the check has found it."""
    spreads = [
        each for each in job.outcomes if each.check is CheckName.SEATING and each.value is not None
    ]
    if not spreads:
        return translate("practice", "not measured")
    spread = plus_minus(spreads[-1].value or 0.0, spreads[-1].u, " µm")
    return translate("practice", "of it in the offset: {0}").format(spread)


def debrief_html(truth: Truth, job: Job) -> str:
    """Return the debrief's page."""
    heads = (
        "",
        translate("practice", "the truth"),
        translate("practice", "what you found (± 2u)"),
    )
    head = "".join(f"<th align='left'>{escape(cell)}</th>" for cell in heads)
    table = f"<tr>{head}</tr>" + "".join(
        "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>"
        for row in debrief_rows(truth, job)
    )
    hidden = translate("practice", "Hidden was: {0}.").format(fault_words(truth.fault))
    told_by = escape(signs_of(truth.fault))
    table = f"<table width='100%' cellpadding='8'>{table}</table>"
    return f"<p><b>{escape(hidden)}</b> {told_by}</p>{table}"


class DebriefPage(Page):
    """The truth of a practice drive beside what its job found."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._title.setText(self.tr("Debrief: the virtual drive's truth"))
        self._title.setWordWrap(True)
        self._text = named(QTextBrowser(self), self.tr("What was hidden, and what was found"))
        self._text.setObjectName("read")
        self._text.document().setDocumentMargin(_MARGIN_PX)
        back = self.tr("Go back to the needle")
        self._back = TouchButton(
            self.tr("To the needle"), "Esc", back, self.back.emit, self, is_next=True
        )
        laid(QVBoxLayout(self), self._title, self._text, button_row(self._back), flush=True)

    @property
    def words(self) -> str:
        """What is told."""
        return self._text.toPlainText()

    def activate(self, truth: Truth | None, job: Job | None) -> None:
        """Tell what was hidden, or why that is not told now."""
        if truth is None:
            self._text.setPlainText(self.tr("The open source is no drive of the practice bench."))
        elif job is None or not job.closed:
            self._text.setPlainText(
                self.tr("What is hidden is told when the job on it is closed (⇧F8).")
            )
        else:
            self._text.setHtml(debrief_html(truth, job))
        self._text.setAccessibleDescription(self.words)
        self._back.setFocus()
