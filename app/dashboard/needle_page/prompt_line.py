"""The line above the needle: what to do next, and what it offers to do."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QHBoxLayout, QWidget

from app.analysis import messages
from app.analysis.results import Message, Reading, Side, Sign
from app.dashboard.job_panel.brief import brief_of, shortened
from app.dashboard.source_words import source_words
from app.dashboard.style import Sizes
from app.dashboard.text import said, translate
from app.dashboard.widgets import FILLS, FittedText, TouchButton, laid, named
from app.live.view import Phase, View

if TYPE_CHECKING:
    from app.live.session import Session

INDEXED_ROLES = "differential,index"


@dataclass(frozen=True, slots=True)
class Prompt:
    """What the line above the needle says, and what it offers to do."""

    words: str = ""
    may_begin: bool = False
    may_teach: bool = False
    may_reopen: bool = False
    hint: bool = False
    """It says no more than a person at work knows."""
    brief: str = field(default="", compare=False)
    """The form for whoever is far, or whose window is small; empty where `words` are short."""

    @property
    def briefly(self) -> str:
        """The words in at most 60 characters."""
        return self.brief or shortened(self.words)


def prompt_of(view: View, answer: str, answered_briefly: str = "") -> Prompt:
    """Return what to do next.

    `answer` is what the session answered where a teaching did not begin or succeed, else empty;
    `answered_briefly` is its form of at most 60 characters.
    """
    if view.teaching:
        how = translate(
            "dashboard",
            "Nudge the head OUTWARD until the needle has clearly moved, then press Outward.",
        )
        brief = translate("dashboard", "Nudge OUTWARD till the needle clearly moves, then Enter.")
        return Prompt(answer or how, may_teach=True, brief=answered_briefly or brief)
    reading = view.reading
    running = view.phase in (Phase.RUNNING, Phase.ENDED)
    if running and reading is not None and reading.valid and reading.sign is Sign.UNKNOWN:
        live = view.phase is Phase.RUNNING
        asking, brief = _asking_for_the_side(view, lost=messages.SIGN_LOST in reading.notes)
        words = answer or asking
        stereo = view.roles == ("plus", "minus")
        if stereo and live and not answer:
            words += " " + translate(
                "dashboard", "Or wire the index to one input and the differential to the other."
            )
        return Prompt(
            words,
            may_begin=live,
            may_reopen=stereo and live,
            brief=answered_briefly or brief,
        )
    # Why a source is gone or cannot be opened stands where the needle's words are.
    message = source_words(view.message) if running else ""
    said_by_all = [answer, message, *(said(each) for each in view.advice)]
    words = "  ·  ".join(dict.fromkeys(each for each in said_by_all if each))
    if not words:
        return Prompt(_hint(view), hint=True)
    # What is wrong with the level comes before what the source says of itself.
    return Prompt(words, brief=next((brief_of(each) for each in view.advice), ""))


def _asking_for_the_side(view: View, *, lost: bool) -> tuple[str, str]:
    """Return how the side becomes known, and that in at most 60 characters."""
    if view.phase is not Phase.RUNNING:
        return (
            translate(
                "dashboard",
                "No index, so the side is not known: record it again with the index on a channel "
                "of its own.",
            ),
            translate("dashboard", "No index, no side: record it again with the index."),
        )
    if lost:
        return (
            translate(
                "dashboard",
                "The signal was away, and the side is no longer known: show it once more by "
                "nudging the head outward.",
            ),
            translate("dashboard", "The signal was away: F3 shows the side once more."),
        )
    return (
        translate(
            "dashboard",
            "No index, so the side is not known. Show it once by nudging the head outward.",
        ),
        translate("dashboard", "No index, so the side is not known: F3 shows it once."),
    )


def _hint(view: View) -> str:
    if view.phase in (Phase.CLOSED, Phase.FAILED, Phase.LOST):
        return translate("dashboard", "F2 chooses a source.")
    if view.phase is Phase.ENDED:
        if view.reading is None or not view.reading.valid:
            return translate("dashboard", "The source is at its end. F2 chooses another.")
        if view.whole:
            return translate("dashboard", "The capture is at its end; the reading is of all of it.")
        return translate("dashboard", "The capture is at its end; its last reading stands.")
    if view.reading is not None and view.reading.valid and not _is_even(view.reading):
        return translate("dashboard", "Turn the stepper's body until the needle stands at 0.")
    return ""


def _is_even(reading: Reading) -> bool:
    """Return whether the lobes are even, as far as can be told."""
    balance = reading.balance
    return balance is not None and abs(balance.value) <= 2.0 * balance.u


class PromptLine(QWidget):
    """Shows a prompt, and does what is chosen of it."""

    reopen = Signal()
    """Open the source again as differential and index."""

    def __init__(self, session: Session, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._session = session
        self._answer = self._answered_briefly = ""
        self._prompt = Prompt()
        self._modest = self._narrow = False
        self._words = named(FittedText(self), self.tr("What to do next"))
        begin = self.tr("Begin to teach which side is outward")
        reopen = self.tr("Open the source again with the roles differential and index")
        outward = self.tr("The head has been nudged outward")
        inward = self.tr("The head has been nudged inward")
        cancel = self.tr("Give up teaching")
        self._begin = TouchButton(self.tr("Show the side"), "F3", begin, self.begin)
        self._reopen = TouchButton(self.tr("Use an index"), "F7", reopen, self.reopen.emit)
        self._outward = TouchButton(
            self.tr("Outward"), "⏎", outward, lambda: self.teach(Side.OUTWARD)
        )
        self._teaching = (
            self._outward,
            TouchButton(self.tr("Inward"), "", inward, lambda: self.teach(Side.INWARD)),
            TouchButton(self.tr("Cancel"), "Esc", cancel, self.cancel),
        )
        buttons = (self._begin, self._reopen, *self._teaching)
        laid(QHBoxLayout(self), (self._words, FILLS), *buttons, flush=True)
        self._show(Prompt(may_begin=True))

    @property
    def prompt(self) -> Prompt:
        """What is shown."""
        return self._prompt

    def apply_theme(self, sizes: Sizes) -> None:
        """Take on sizes."""
        self.setFixedHeight(sizes.touch_px)
        self._words.set_size(sizes.text_px)

    def refresh(self, view: View) -> None:
        """Show what goes with the newest view."""
        prompt = prompt_of(view, self._answer, self._answered_briefly)
        if prompt != self._prompt:
            self._show(prompt)

    def set_modest(self, modest: bool) -> None:
        """Set whether to take no room while there is no more than a hint."""
        self._modest = modest
        self._offer_room()

    def set_narrow(self, narrow: bool) -> None:
        """Set whether the words stand elsewhere, so that the buttons alone take room."""
        self._narrow = narrow
        self._words.setVisible(not narrow)
        self._offer_room()

    def _offer_room(self) -> None:
        prompt = self._prompt
        offers = prompt.may_begin or prompt.may_reopen or prompt.may_teach
        idle = not offers if self._narrow else self._modest and prompt.hint
        self.setVisible(not idle)

    def confirm(self) -> bool:
        """Do the next thing; return whether there was one."""
        if self._prompt.may_teach:
            self.teach(Side.OUTWARD)
        elif self._prompt.may_begin:
            self.begin()
        else:
            return False
        return True

    def begin(self) -> None:
        """Begin teaching, where there is a reading whose side is not known or was taught."""
        self._take_answer(self._session.begin_teaching())

    def teach(self, side: Side) -> None:
        """Tell the session where the head went."""
        self._take_answer(self._session.teach(side))

    def _take_answer(self, answer: Message | None) -> None:
        self._answer = "" if answer is None else said(answer)
        self._answered_briefly = "" if answer is None else brief_of(answer)
        self.refresh(self._session.view())

    def cancel(self) -> bool:
        """Cancel teaching; return whether it was under way."""
        if not self._prompt.may_teach and not self._answer:
            return False
        self._session.cancel_teaching()
        self._take_answer(None)
        return True

    def _show(self, prompt: Prompt) -> None:
        self._prompt = prompt
        self._words.say(prompt.words)
        self._begin.setVisible(prompt.may_begin)
        self._reopen.setVisible(prompt.may_reopen)
        for button in self._teaching:
            button.setVisible(prompt.may_teach)
        self._begin.set_next(prompt.may_begin)
        self._outward.set_next(prompt.may_teach)
        if self._narrow or self._modest:
            self._offer_room()
