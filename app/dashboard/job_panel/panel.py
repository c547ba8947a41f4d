"""The column of the job beside the needle: what is asked, where it is answered, and the checks."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, replace
from itertools import pairwise

from PySide6.QtCore import QRectF, Qt, Signal
from PySide6.QtGui import QColor, QKeyEvent, QPainter, QPaintEvent, QResizeEvent, QShowEvent
from PySide6.QtWidgets import (
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from app.analysis.adjust.nudging import LockAdvice
from app.analysis.adjust.positioner import ArrivalState
from app.analysis.results import Reading, Verdict
from app.dashboard.job_panel.bars import BudgetBars
from app.dashboard.job_panel.checklist import CheckList
from app.dashboard.job_panel.controller import JobController, Writing
from app.dashboard.job_panel.text import (
    LEAST_TOLD_UM,
    Bar,
    budget_bars,
    check_name,
    done_words,
    outcome_words,
    rows_of,
    step_name,
    step_title,
    value_words,
    verdict_name,
)
from app.dashboard.lettering import height_of
from app.dashboard.style import Sizes, Theme
from app.dashboard.text import current_reading, said, translate
from app.dashboard.widgets import (
    BETWEEN_BUTTONS_PX,
    ENTERS,
    Field,
    FittedText,
    Instrument,
    TouchButton,
    is_enter,
    laid,
    named,
)
from app.job import messages
from app.job.aims import readable_um
from app.job.job import Job
from app.job.model import Action, AimKind, Do, Enter, Measure, Outcome
from app.job.plan import SETTING, StepState
from app.job.units import entry_in
from app.live.stepping import Stepping
from app.live.view import View
from app.numbers import Unit, finely, span_shown, words_shown
from app.report.blocks import amount, clean, within

_CLOCKWISE = (messages.NUDGE_CLOCKWISE.text, messages.NUDGE_TRIAL.text)


@dataclass(frozen=True, slots=True)
class Card:
    """What the column shows of a job at one moment."""

    title: str = ""
    """Which check."""
    words: str = ""
    """What is asked, or the outcome of a check that is looked at."""
    figure: str = ""
    """How far the hand is to turn; large."""
    live: str = ""
    """How far it has come, by the newest reading."""
    button: str = ""
    """What Enter does."""
    verdict: Verdict | None = None
    """Of a check that is looked at."""
    bars: tuple[Bar, ...] = ()
    """What its uncertainty is made of."""
    entry: str | None = None
    """Unit and range of what is typed; None where nothing is."""
    choices: tuple[str, ...] = ()
    """Answers, one of which is chosen."""
    part: float | None = None
    """How far a measurement has come, 0 to 1; None without one."""
    may_skip: bool = False
    may_back: bool = False
    may_lend: bool = False
    by_wire: bool = False
    """It is the line that may do it, and not the virtual hand."""
    may_close: bool = True


def card_of(controller: JobController, reading: Reading | None) -> Card:
    """Return what the column shows of a job; `reading` is the newest, unless it is out of date."""
    job = controller.job
    if job is None:
        return Card()
    looks = controller.elsewhere and not controller.writing and not job.closed
    if looks and controller.chosen is not None:
        return _looked_at(job, controller.chosen, controller.unit)
    card = _card(controller, job, reading)
    title, words, live = (
        words_shown(each, controller.unit) for each in (card.title, card.words, card.live)
    )
    return replace(card, title=title, words=words, live=live)


def _card(controller: JobController, job: Job, reading: Reading | None) -> Card:
    if controller.writing:
        return _writing(controller, job)
    if job.closed:
        return _closed(job)
    if job.step is None or job.ask is None:
        return replace(_ended(job), may_back=controller.ended_last is not None)
    return _asked(controller, job, reading)


def _writing(controller: JobController, job: Job) -> Card:
    if controller.writing in (Writing.AIM, Writing.OFFSET):
        return _aiming(controller.writing, job, controller.unit)
    skips = controller.writing is Writing.SKIP
    if skips:
        title = "" if job.step is None else step_name(job.step, job.profile.sides)
        words = translate("job", "Leave this check out: give the reason, which is kept.")
    else:
        title = translate("job", "Close the job with what is open")
        words = _open_words(job)
    return Card(
        title,
        words,
        button=translate("job", "Leave out") if skips else translate("job", "Close the job"),
        entry=translate("job", "reason"),
        may_back=True,
    )


def _aiming(writing: Writing, job: Job, unit: Unit) -> Card:
    # What is shown as the most that may be typed is to be taken.
    most = math.floor(10.0 * span_shown(readable_um(job.profile), "µm", unit)) / 10.0
    typed = translate("job", "{0}, −{1:g} to {1:g}, as 4 or with its u as 4±1").format(unit, most)
    return Card(
        translate("job", "Where is the head to be?"),
        translate("job", "The aim now: {0}.").format(job.aim),
        button=translate("job", "Aim there"),
        entry=typed if writing is Writing.OFFSET else None,
        choices=tuple(AimKind) if writing is Writing.AIM else (),
        may_back=True,
    )


def _open_words(job: Job) -> str:
    pending = sum(step.state in (StepState.PENDING, StepState.IN_HAND) for step in job.steps)
    open_ones = job.open_failures
    twice = Counter(each.check for each in open_ones)
    lines: list[str] = []
    for words, those in (
        (translate("job", "Failed: {0}."), [e for e in open_ones if e.verdict is Verdict.FAIL]),
        (
            translate("job", "Without a result: {0}."),
            [e for e in open_ones if e.verdict is not Verdict.FAIL],
        ),
    ):
        if those:
            named = (_open_name(each, sided=twice[each.check] > 1) for each in those)
            lines.append(words.format("; ".join(named)))
    if pending:
        lines.append(translate("job", "Not done: {0} checks.").format(pending))
    lines.append(translate("job", "Give the reason, which is kept."))
    return "\n".join(lines)


def _open_name(outcome: Outcome, *, sided: bool) -> str:
    """Return a check by its name, with its side where it is open on both, and with its number."""
    name = check_name(outcome.check)
    if sided:
        name = translate("job", "{0}, side {1}").format(name, outcome.side)
    number = value_words(outcome)
    return f"{name}: {number}" if number else name


def _closed(job: Job) -> Card:
    found, left = job.as_found, job.as_left
    rows = (
        (translate("job", "offset"), found.offset_um, left.offset_um),
        (translate("job", "hysteresis"), found.hysteresis_um, left.hysteresis_um),
        (translate("job", "speed"), found.speed_rpm, left.speed_rpm),
    )
    lines = [
        f"{name}  {amount(replace(before, unit=''))} → {amount(after)}"
        for name, before, after in rows
        if before is not None and after is not None
    ]
    head = translate("job", "As found → as left:")
    if not lines:
        # Nothing was moved, or not that far.
        head = translate("job", "As found:")
        lines = [f"{name}  {amount(before)}" for name, before, _ in rows if before is not None]
    if not lines:
        head = translate("job", "Neither offset nor hysteresis nor speed was measured.")
    return Card(
        translate("job", "The job is closed"),
        "\n".join([head, *lines]),
        live=translate("job", "⌫ puts the job away."),
        button=translate("job", "See the report"),
        may_back=True,
        may_close=False,
    )


def _looked_at(job: Job, index: int, unit: Unit) -> Card:
    step = job.steps[index]
    title = step_title(step, job.profile.sides)
    outcome = step.outcome
    if outcome is None:
        return Card(
            title,
            translate("job", "Not done yet."),
            button=translate("job", "Take it in hand"),
            may_back=True,
        )
    return Card(
        f"{title}: {verdict_name(outcome.verdict)}",
        outcome_words(outcome, unit),
        button=translate("job", "Do it again"),
        may_back=True,
        verdict=outcome.verdict,
        bars=budget_bars(outcome.budget),
    )


def _ended(job: Job) -> Card:
    if job.may_close:
        words = translate("job", "Every check has ended, and none is failed.")
    else:
        words = _open_words(job)
    return Card(
        translate("job", "Nothing more to do"), words, button=translate("job", "Close the job")
    )


def _asked(controller: JobController, job: Job, reading: Reading | None) -> Card:
    ask, step = job.ask, job.step
    assert ask is not None
    assert step is not None
    title = step_title(step, job.profile.sides)
    if step.check in SETTING:
        title = translate("job", "{0}, to {1}").format(title, job.aim)
    plain = Card(
        title,
        said(ask.message),
        may_skip=True,
        may_back=job.can_undo or controller.part is not None or controller.ended_last is not None,
        may_lend=controller.may_lend_hand or controller.may_lend_line,
        by_wire=controller.may_lend_line,
    )
    match ask:
        case Measure():
            words, button = plain.words, translate("job", "Measure")
            if controller.part is None:
                words = translate("job", "Ready to measure: {0}.").format(_what(ask))
            if controller.asks_source:
                button = translate("job", "Same drive: go on")
            return replace(plain, words=words, button=button, part=controller.part)
        case Enter():
            return replace(
                plain,
                button=translate("job", "Enter"),
                entry=None if ask.choices else _range(entry_in(ask, controller.unit)),
                choices=ask.choices,
            )
        case Do() if controller.line is not None and controller.line.takes(ask):
            return replace(
                plain,
                live=_line_words(controller.line, controller),
                button=translate("job", "By hand"),
                may_lend=False,
            )
        case Do():
            doubt = controller.doubt
            button = (
                translate("job", "Done") if doubt is None else translate("job", "Done all the same")
            )
            live = _live(controller, ask, reading) if doubt is None else said(doubt)
            figure = _figure(controller, ask, reading)
            return replace(plain, figure=figure, live=live, button=button)


def _what(ask: Measure) -> str:
    place = "" if ask.track is None else translate("job", ", track {0}, side {1}")
    place = place.format(ask.track, ask.head)
    return translate("job", "{0} turns{1}").format(ask.turns, place)


def _range(ask: Enter) -> str:
    # The one unit that is a word.
    unit = translate("job", "track") if ask.unit == "track" else ask.unit
    unit = f"{unit}  " if unit else ""
    if ask.low is None or ask.high is None:
        return unit.strip()
    return translate("job", "{0}{1:g} to {2:g}; empty: not known").format(unit, ask.low, ask.high)


def _figure(controller: JobController, ask: Do, reading: Reading | None) -> str:
    """Return how far the body is still to be turned, and which way round."""
    if ask.action is not Action.NUDGE or len(ask.message.values) < 2:
        return ""
    degrees, flange_mm = ask.message.values[:2]
    arrow = "↻ " if ask.message.text in _CLOCKWISE else ""
    if ask.message.text == messages.NUDGE_COUNTER.text:
        arrow = "↺ "
    left_um = controller.left_um(ask, reading)
    if left_um is not None and ask.amount and controller.job is not None:
        profile = controller.job.profile
        turn = abs(left_um) / profile.shift_um_per_deg
        degrees, flange_mm = finely(turn), finely(turn * profile.flange_mm_per_deg)
        if left_um * ask.amount < 0.0:  # too far: back again
            arrow = {"↻ ": "↺ ", "↺ ": "↻ "}.get(arrow, "")
    return f"{arrow}{degrees}°   {flange_mm} mm"


def _live(controller: JobController, ask: Do, reading: Reading | None) -> str:
    if controller.hand.arrival is not None:
        return _arrival_words(controller.hand.arrival.state)
    if controller.hand.left_s is not None:
        return translate("job", "{0:.0f} s to go.").format(max(0.0, controller.hand.left_s))
    if reading is None or not reading.valid:
        return ""
    if controller.hand.lock is not None:
        return _lock_words(controller)
    if (
        ask.action is Action.TRIM_SPEED
        and reading.speed_rpm is not None
        and controller.job is not None
    ):
        rpm = reading.speed_rpm.value
        away = 100.0 * (rpm / controller.job.profile.speed_rpm - 1.0)
        return translate("job", "{0:.2f} rpm, {1:+z.2f} %").format(rpm, away).replace("-", "−")
    if controller.hand.has_nudged:
        return translate("job", "Once the head stands still, it is measured.")
    if ask.action is Action.NUDGE and reading.offset_um is not None:
        away_um = reading.offset_um.value - controller.zero_um
        if abs(away_um) < LEAST_TOLD_UM:
            return translate("job", "The middle is less than 0.1 µm away.")
        side = translate("job", "outward") if away_um > 0 else translate("job", "inward")
        return translate("job", "The middle is {0:.1f} µm {1}.").format(abs(away_um), side)
    return ""


def _line_words(line: Stepping, controller: JobController) -> str:
    """Return what the line that steps is at, and what is seen of it."""
    if line.aim is not None:
        return translate("job", "By wire: the head goes to track {0}.").format(line.aim)
    arrival = controller.hand.arrival
    watched = "" if arrival is None else _arrival_words(arrival.state)
    return " ".join(filter(None, (translate("job", "By wire."), watched)))


def _arrival_words(state: ArrivalState) -> str:
    return {
        ArrivalState.ON_TRACK: translate("job", "The head is on the track; it is watched."),
        ArrivalState.AWAY: translate("job", "The head is away."),
        ArrivalState.SETTLING: translate("job", "The head is back; it settles."),
        ArrivalState.ARRIVED: "",
    }[state]


def _lock_words(controller: JobController) -> str:
    lock = controller.hand.lock
    if lock is None or lock.finding is None:
        return translate("job", "Wait with the screws: where the head is now is being measured.")
    moved = translate("job", "Tightening has moved the head by {0:+z.1f} µm.")
    words = moved.format(lock.finding.moved_um.value).replace("-", "−")
    if lock.advice is LockAdvice.BACK_OFF:
        return f"{words} {translate('job', 'Back off: it has gone too far.')}"
    return words


_MOST_TYPED = 2000
_ENTER = "⏎"


class AnswerField(Field):
    """A field that leaves to the window: Backspace while it is empty, and Enter with Shift."""

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Take the key, unless it has nothing to do here."""
        lends = event.key() in ENTERS and not is_enter(event)
        if lends or (event.key() == Qt.Key.Key_Backspace and not self.text()):
            event.ignore()
        else:
            super().keyPressEvent(event)


def _choice_words(answer: str) -> str:
    """Return an answer that the book keeps, in the window's language."""
    return translate("job", answer)


class ProgressBar(Instrument):
    """How far a measurement has come, as a bar."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__((0, 0), parent)
        self._part = 0.0
        named(self, self.tr("Measured so far"))

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        super().apply_theme(theme, sizes)
        self.setFixedHeight(sizes.whole_px(14, least=8))

    def show_part(self, part: float) -> None:
        """Show how far it is, 0 to 1."""
        if part != self._part:
            self._part = part
            self.setAccessibleDescription(f"{100 * part:.0f} %")
            self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Paint the bar."""
        box = QRectF(self.rect()).adjusted(0.5, 0.5, -0.5, -0.5)
        with QPainter(self) as painter:
            painter.setPen(QColor(self._theme.line))
            painter.setBrush(QColor(self._theme.face))
            painter.drawRect(box)
            box.setWidth(box.width() * self._part)
            painter.fillRect(box, QColor(self._theme.second))


_MOST_WORDS, _MOST_REMARK = 0.28, 0.15
"""Of a column's height, for what is asked and for a remark in letters of running text."""


class CardView(QWidget):
    """Shows what is asked in large words, and takes the answer."""

    answered = Signal(str)
    """Go on, with what was typed or chosen."""
    asking = Signal()
    """The keys are here now: something is to be typed or chosen."""
    unchosen = Signal(str)
    """To go on was asked for, with none of the answers chosen: what to do instead."""
    released = Signal()
    """Nothing is typed or chosen any more: the keys go back to the needle."""
    pressed_far = Signal()
    """The button was pressed where it stands apart from the card: that may be out of sight."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        # Where the keys go while one of several answers is to be chosen: none is chosen by chance.
        self.setFocusPolicy(Qt.FocusPolicy.ClickFocus)
        self._card = Card()
        self._title = named(FittedText(self), self.tr("Check in hand"))
        self._words = named(FittedText(self), self.tr("What is asked"))
        self._figure = named(FittedText(self), self.tr("Next nudge"))
        self._live = named(FittedText(self), self.tr("How far it is"))
        self._remark = named(FittedText(self), self.tr("Remark"))
        self._bars = BudgetBars(self)
        self._progress = ProgressBar(self)
        self.entry = AnswerField(
            self.tr("Answer"), self.tr("Enter takes it; empty where it is not known"), self
        )
        self.entry.setMaxLength(_MOST_TYPED)
        self.entry.returnPressed.connect(self.go_on)
        self._choices: list[TouchButton] = []
        self._text_px = 12
        on = self.tr("Do the next thing")
        self.button = TouchButton(self.tr("Go on"), _ENTER, on, self._press, self, is_next=True)
        self._is_lent = False
        self._learned = ""
        self._choice_row = QHBoxLayout()
        self._column = laid(
            QVBoxLayout(self),
            (self._title, 3),
            (self._words, 9),
            self._bars,
            (self._figure, 5),
            (self._live, 5),
            self._progress,
            (self._remark, 5),
            self.entry,
            self._choice_row,
            self.button,
            flush=True,
        )

    @property
    def card(self) -> Card:
        """What is shown."""
        return self._card

    def apply_theme(self, theme: Theme, sizes: Sizes, gap: int) -> None:
        """Take on colours, sizes, and the gap between the parts."""
        text = sizes.text_px
        self._title.set_size(round(text * 1.2), bold=True)
        # Its share of a low panel would be less than the letters of running text take.
        self._title.setMinimumHeight(round(text * 1.6))
        self._text_px = text
        self._words.set_size(round(text * 1.5))
        self._figure.set_size(round(text * 2.6), bold=True)
        self._live.set_size(round(text * 1.2))
        self._remark.set_size(text)
        self._bars.apply_theme(theme, sizes)
        self._progress.apply_theme(theme, sizes)
        for layout in (self._column, self._choice_row):
            layout.setSpacing(gap)

    def lend_button(self, row: QHBoxLayout) -> None:
        """Put the button first in a row elsewhere."""
        self._is_lent = True
        row.insertWidget(0, self.button, 1)
        self._tell_key()

    def take_button_back(self) -> None:
        """Put the button below what is asked again."""
        self._is_lent = False
        self._column.addWidget(self.button)
        self._tell_key()

    def _press(self) -> None:
        self.pressed_far.emit() if self._is_lent else self.go_on()

    def go_on(self) -> None:
        """Answer with what stands in the entry; where answers are to be chosen, say so."""
        if self._card.choices:
            words = self.tr("Choose {0}: Tab leads there, or type the first letter.")
            self.unchosen.emit(words.format(" / ".join(map(_choice_words, self._card.choices))))
            self.asking.emit()
        else:
            self.answered.emit(self.entry.text() if self._card.entry is not None else "")

    @property
    def answered_at(self) -> QWidget:
        """The last of what is needed to answer what is asked."""
        if self._choices:
            return self._choices[-1]
        if not self._is_lent:
            return self.button
        return self._words if self._card.entry is None else self.entry

    @property
    def asked_at(self) -> tuple[QWidget, QWidget]:
        """Where the check in hand is named, and where what is asked stands."""
        return self._title, self._words

    def take_focus(self) -> bool:
        """Take the keys where something is typed or chosen; return whether it is.

        No answer of several has the focus: a key pressed once too often would give it.
        """
        if self._card.entry is not None:
            self.entry.setFocus()
        elif self._choices:
            self.setFocus()
        else:
            return False
        self.asking.emit()
        return True

    def show_remark(self, words: str) -> None:
        """Show a remark below the words, or none."""
        self._remark.say(words)
        self._remark.setVisible(bool(words))
        self._give_room()

    def show_card(self, card: Card) -> None:
        """Show a card; touch only what is new."""
        before, self._card = self._card, card
        if card == before:
            return
        self._title.say(card.title)
        self._words.say(card.words)
        for part, words in ((self._figure, card.figure), (self._live, card.live)):
            part.say(words)
            part.setVisible(words != "")
        self._bars.show_bars(card.bars)
        self._progress.setVisible(card.part is not None)
        self._progress.show_part(card.part or 0.0)
        self.button.say(card.button)
        self._tell_key()
        self.button.setVisible(bool(card.button) and not card.choices)
        self.button.setEnabled(card.part is None)
        asked, was_asked = (
            (each.entry, each.choices, each.title, each.words) for each in (card, before)
        )
        if asked != was_asked:
            self._give_room()
            self._prepare_answer(card)

    def show_key(self, learned: str) -> None:
        """Write a learned key beside Enter, or none."""
        self._learned = learned
        self._tell_key()

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        """Tell the learned key where there is room for it now, and what is asked as large."""
        super().resizeEvent(event)
        self._tell_key()
        self._give_room()

    def _give_room(self) -> None:
        """Give what is asked, and a remark, the height that running text of theirs takes."""
        for part, most in ((self._words, _MOST_WORDS), (self._remark, _MOST_REMARK)):
            most_px = most * (self.parentWidget() or self).height()
            needed_px = height_of(part.words, self.width(), most_px, self._text_px)
            part.setMinimumHeight(math.ceil(needed_px))

    def _tell_key(self) -> None:
        """Write the keys on the button: Enter alone where both would be cut."""
        if self._learned:
            self.button.set_key(f"{_ENTER} / {self._learned}")
        room = self.width() // 2 if self._is_lent else self.width()
        if not self._learned or self.button.sizeHint().width() > room:
            self.button.set_key(_ENTER)

    def _prepare_answer(self, card: Card) -> None:
        """Get ready for typing or choosing, where that is asked for."""
        answers = (self, self.entry, *self._choices)
        had_focus = any(each.hasFocus() for each in answers)
        for button in self._choices:
            self._choice_row.removeWidget(button)
            button.hide()
            button.deleteLater()
        self._choices = [self._choice(words) for words in card.choices]
        name = self.tr("Answers") if card.choices else ""
        named(self, name, " / ".join(map(_choice_words, card.choices)))
        for before, after in pairwise((self, *self._choices)):
            self.setTabOrder(before, after)
        self.entry.clear()
        self.entry.setVisible(card.entry is not None)
        self.entry.setPlaceholderText(card.entry or "")
        if self.isVisible() and not self.take_focus() and had_focus:
            self.released.emit()

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Give the answer whose first letter is typed."""
        typed = event.text().lower()
        choices = self._card.choices
        chosen = [each for each in choices if typed and _choice_words(each).startswith(typed)]
        if len(chosen) == 1:
            self.answered.emit(chosen[0])
        else:
            super().keyPressEvent(event)

    def _choice(self, answer: str) -> TouchButton:
        words = _choice_words(answer)
        button = TouchButton(words, "", words, lambda: self.answered.emit(answer), self)
        self._choice_row.addWidget(button)
        button.show()
        return button


_EVEN, _LOW_CARD = 50, 150
"""Of card and list, the stretch of each; that of the card in a column lower than `_LOW_PX`."""
_LOW_PX = 600


class JobPanel(Instrument):
    """The column of the job that `controller` leads; seen only while there is one."""

    asking = Signal()
    """What is asked is to be seen: the keys are here now, to type or choose, or it is wanted."""
    released = Signal()
    """Nothing is typed or chosen any more: the keys go back to the needle."""
    pressed_far = Signal()
    """The next thing is to be done by the button that stands apart from what is asked."""

    def __init__(self, controller: JobController, parent: QWidget | None = None) -> None:
        super().__init__((260, 300), parent)
        self.controller = controller
        self._reading: Reading | None = None
        self._head = named(QLabel(self), self.tr("Drive and job"))
        self._head.setTextFormat(Qt.TextFormat.PlainText)
        self._head.setProperty("quiet", True)
        # Its words never widen the column.
        self._head.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self._view = CardView(self)
        self._view.answered.connect(controller.go_on)
        self._view.unchosen.connect(controller.say)
        self._view.asking.connect(self.asking)
        self._view.released.connect(self.released)
        self._view.pressed_far.connect(self.pressed_far)
        self.list = CheckList(self)
        self.list.looked_at.connect(controller.choose)
        self.list.taken_up.connect(self.go_on)
        lend = self.tr("Let the virtual hand, or the line that steps, do what is asked")
        back = self.tr("Take back the last answer, or look at the check before")
        skip = self.tr("Leave out this check, for a reason")
        close = self.tr("Close the job")
        aim = self.tr("Choose where the head is to be, or the way back to as found")
        self._buttons = (
            TouchButton(self.tr("Virtual hand"), "⇧⏎", lend, controller.lend, self),
            TouchButton(self.tr("Back"), "⌫", back, controller.back, self),
            TouchButton(self.tr("Leave out"), "F8", skip, controller.skip, self),
            TouchButton(self.tr("Close job"), "⇧F8", close, controller.close, self),
            TouchButton(self.tr("Aim"), "⇧F10", aim, controller.ask_aim, self),
        )
        self._grid = QGridLayout()
        self._place_buttons(roomy=True)
        self._whole = laid(
            QVBoxLayout(self), self._head, (self._view, _EVEN), self._grid, (self.list, _EVEN)
        )
        controller.changed.connect(self.show_job)
        self.show_job()

    @property
    def card(self) -> Card:
        """What is shown."""
        return self._view.card

    @property
    def entry(self) -> QLineEdit:
        """Where the person types."""
        return self._view.entry

    @property
    def asked_between(self) -> tuple[tuple[QWidget, ...], QWidget]:
        """What of the card tells what is asked, from its top on, and what it is answered by."""
        return self._view.asked_at, self._view.answered_at

    @property
    def sees_answer(self) -> bool:
        """Whether what is asked and where it is answered are seen, if not the whole of both."""
        asked, answered = self.asked_between
        return not (asked[-1].visibleRegion().isEmpty() or answered.visibleRegion().isEmpty())

    def focus_order(self) -> list[QWidget]:
        """Return what the keyboard reaches, in the order of the eye."""
        return [self._view.entry, self._view.button, *self._buttons, self.list]

    def take_focus(self) -> bool:
        """Take the keys where something is typed or chosen; return whether it is."""
        return self.controller.job is not None and self._view.take_focus()

    def apply_theme(self, theme: Theme, sizes: Sizes) -> None:
        """Take on colours and sizes."""
        super().apply_theme(theme, sizes)
        gap, pad = sizes.whole_px(6, least=3), sizes.whole_px(12, least=6)
        self._view.apply_theme(theme, sizes, gap)
        self.list.apply_theme(theme, sizes)
        # The check in hand is seen, in a low column too; the others are scrolled to.
        self.list.setMinimumHeight(round(sizes.touch_px * 1.2))
        for layout in (self._whole, self._grid):
            layout.setSpacing(gap)
        self._whole.setContentsMargins(pad, pad, pad, pad)

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        """Fit the parts to the new height."""
        super().resizeEvent(event)
        self._fit()

    def showEvent(self, event: QShowEvent) -> None:  # noqa: N802
        """Fit the parts to the height that the column has by now."""
        super().showEvent(event)
        self._fit()

    def _fit(self) -> None:
        """Give what is asked the greater part of a low column, where it has little room."""
        roomy = not self.isVisible() or self.height() >= _LOW_PX
        self._whole.setStretchFactor(self._view, _EVEN if roomy else _LOW_CARD)
        self._place_buttons(roomy=roomy)

    def _place_buttons(self, *, roomy: bool) -> None:
        """Put the buttons in rows of two, or without their keys in rows of three where they fit."""
        for button in self._buttons:
            button.tell_key(False)
        widest = max(each.sizeHint().width() for each in self._buttons)
        abreast = 2 if roomy or 3 * (widest + BETWEEN_BUTTONS_PX) > self.width() else 3
        for place, button in enumerate(self._buttons):
            button.tell_key(abreast == 2)
            last = place == len(self._buttons) - 1
            # The last one takes what is left of its row.
            wide = abreast - place % abreast if last else 1
            self._grid.addWidget(button, place // abreast, place % abreast, 1, wide)

    def show_key(self, learned: str) -> None:
        """Write the key that is learned for going on beside Enter, or none."""
        self._view.show_key(learned)

    def refresh(self, view: View, now_s: float) -> None:
        """Show what the newest view says of the job."""
        if self.controller.job is not None:
            self.controller.refresh(view, now_s)
            self._reading = current_reading(view, now_s)
            self._show_card()

    def show_job(self) -> None:
        """Show the job as it stands."""
        job = self.controller.job
        self.setVisible(job is not None)
        if job is None:
            return
        drive = "" if self.controller.drive is None else within(self.controller.drive.identity, 40)
        self._head.setText("  ·  ".join(filter(None, (drive, done_words(job)))))
        self.list.show_rows(rows_of(job, self.controller.unit), self.controller.chosen)
        remarks = (clean(self.controller.remark, 400), clean(self.controller.fault, 400))
        self._view.show_remark("\n".join(filter(None, remarks)))
        self._show_card()

    def lend_button(self, row: QHBoxLayout) -> None:
        """Put the button of the next thing first in a row outside of the column."""
        self._view.lend_button(row)

    def take_button_back(self) -> None:
        """Put the button of the next thing below what is asked again."""
        self._view.take_button_back()

    def go_on(self) -> None:
        """Do the next thing."""
        self._view.go_on()

    def _show_card(self) -> None:
        card = card_of(self.controller, self._reading)
        if card.by_wire != self._view.card.by_wire:
            self._buttons[0].say(self.tr("By wire") if card.by_wire else self.tr("Virtual hand"))
        self._view.show_card(card)
        may_aim = card.may_close and self.controller.writing is Writing.NOTHING
        allowed = (card.may_lend, card.may_back, card.may_skip, card.may_close, may_aim)
        for button, may in zip(self._buttons, allowed, strict=True):
            button.setEnabled(may)
