"""The line above the needle: what to do next, and the way through teaching the sign."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QHBoxLayout, QWidget

from app.analysis.reading import Side, Sign
from app.dashboard.buttons import TouchButton
from app.dashboard.lettering import FittedText
from app.dashboard.theme import Sizes
from app.dashboard.words import said, translate
from app.live.view import Phase, View

if TYPE_CHECKING:
    from app.live.session import Session

INDEXED_ROLES = "differential,index"


@dataclass(frozen=True, slots=True)
class Prompt:
    """What the line says, and which ways it offers."""

    words: str = ""
    may_begin: bool = False
    may_teach: bool = False
    may_reopen: bool = False
    hint: bool = False
    """It says what anybody at work knows."""


def prompt_of(view: View, answer: str) -> Prompt:
    """Return what to do next.

    Parameters
    ----------
    view : View
        The newest snapshot.
    answer : str
        What the session answered when a teaching did not begin or succeed, else empty.
    """
    if view.teaching:
        how = translate(
            "dashboard",
            "Nudge the head OUTWARD until the needle has clearly moved, then press Outward.",
        )
        return Prompt(answer or how, may_teach=True)
    reading = view.reading
    running = view.phase in (Phase.RUNNING, Phase.ENDED)
    if running and reading is not None and reading.valid and reading.sign is Sign.UNKNOWN:
        words = answer or translate(
            "dashboard",
            "No index, so the side is not known. Show it once by nudging the head outward.",
        )
        stereo = view.roles == ("plus", "minus")
        if stereo and not answer:
            words += " " + translate(
                "dashboard", "Or wire the index to one input and the differential to the other."
            )
        live = view.phase is Phase.RUNNING
        return Prompt(words, may_begin=live, may_reopen=stereo and live)
    # Why a source is gone or cannot be opened stands where the needle's words are.
    message = view.message if running else ""
    said_by_all = [answer, message, *(said(each) for each in view.advice)]
    words = "  ·  ".join(dict.fromkeys(each for each in said_by_all if each))
    return Prompt(words) if words else Prompt(_hint(view), hint=True)


def _hint(view: View) -> str:
    if view.phase in (Phase.CLOSED, Phase.FAILED, Phase.LOST):
        return translate("dashboard", "F2 chooses a source.")
    if view.phase is Phase.ENDED:
        return translate("dashboard", "The capture is at its end; its last reading stands.")
    if view.reading is not None and view.reading.valid:
        return translate("dashboard", "Turn the stepper's body until the needle stands at 0.")
    return ""


class PromptLine(QWidget):
    """Shows a prompt, and carries out the way that is chosen."""

    reopen = Signal()
    """The person wants the source opened again as differential and index."""

    def __init__(self, session: Session, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._session = session
        self._answer = ""
        self._prompt = Prompt()
        self._words = FittedText(self)
        self._words.setAccessibleName(self.tr("What to do next"))
        self._begin = TouchButton(
            self.tr("Show the side"),
            "F3",
            self.tr("Begin to teach which side is outward"),
            self.begin,
        )
        self._reopen = TouchButton(
            self.tr("Use an index"),
            "F7",
            self.tr("Open the source again with the roles differential and index"),
            self.reopen.emit,
        )
        self._outward = TouchButton(
            self.tr("Outward"),
            "⏎",
            self.tr("The head has been nudged outward"),
            lambda: self.teach(Side.OUTWARD),
        )
        self._inward = TouchButton(
            self.tr("Inward"),
            "",
            self.tr("The head has been nudged inward"),
            lambda: self.teach(Side.INWARD),
        )
        self._cancel = TouchButton(
            self.tr("Cancel"), "Esc", self.tr("Give up teaching"), self.cancel
        )
        layout = QHBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self._words, 1)
        for button in (self._begin, self._reopen, self._outward, self._inward, self._cancel):
            layout.addWidget(button)
        self._show(Prompt(may_begin=True))

    @property
    def prompt(self) -> Prompt:
        """What is shown."""
        return self._prompt

    def dress(self, sizes: Sizes) -> None:
        """Take on sizes."""
        self.setFixedHeight(sizes.touch_px)
        self._words.set_size(sizes.text_px)

    def follow(self, view: View) -> None:
        """Show what goes with the newest view."""
        prompt = prompt_of(view, self._answer)
        if prompt != self._prompt:
            self._show(prompt)

    def set_modest(self, modest: bool) -> None:
        """Give up the room, or not, while there is no more than a hint."""
        self.setVisible(not (modest and self._prompt.hint))

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
        answer = self._session.begin_teaching()
        self._answer = said(answer) if answer is not None else ""
        self.follow(self._session.view())

    def teach(self, side: Side) -> None:
        """Tell the session where the head went."""
        answer = self._session.teach(side)
        self._answer = said(answer) if answer is not None else ""
        self.follow(self._session.view())

    def cancel(self) -> bool:
        """Give up teaching; return whether one was under way."""
        if not self._prompt.may_teach and not self._answer:
            return False
        self._answer = ""
        self._session.cancel_teaching()
        self.follow(self._session.view())
        return True

    def _show(self, prompt: Prompt) -> None:
        self._prompt = prompt
        self._words.say(prompt.words)
        self._begin.setVisible(prompt.may_begin)
        self._reopen.setVisible(prompt.may_reopen)
        for button in (self._outward, self._inward, self._cancel):
            button.setVisible(prompt.may_teach)
        self._begin.set_next(prompt.may_begin)
        self._outward.set_next(prompt.may_teach)
