"""What a job tells a person who does not look: what is asked and how to answer, what was found."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from app.analysis.results import Reading
from app.dashboard.job_panel.controller import JobController
from app.dashboard.job_panel.panel import Card
from app.dashboard.job_panel.text import LEAST_TOLD_UM, step_title, value_words, verdict_name
from app.dashboard.text import translate, without_numbers
from app.job.job import Job
from app.job.model import Action, Do
from app.job.plan import ENDED, Step
from app.job.units import outcome_in
from app.numbers import Unit, words_shown

_ENDS = ".!?:…"


def sentences(*parts: str) -> str:
    """Return parts of a text, and the lines of each, as sentences that are heard one by one."""
    lines = (" ".join(line.split()) for part in parts for line in part.splitlines())
    return " ".join(line if line[-1] in _ENDS else f"{line}." for line in lines if line)


def pronounced(words: str) -> str:
    """Return words without the signs that a speech has no word for."""
    for sign, word in (
        ("↻", translate("job", "clockwise")),
        ("↺", translate("job", "counter-clockwise")),
        ("⌫", translate("keys", "Backspace")),
        ("→", translate("job", "then")),
        ("<", translate("job", "less than") + " "),
    ):
        words = words.replace(sign, word)
    return words


def asked_words(card: Card) -> str:
    """Return what a card asks, and how it is answered."""
    answer = ""
    if card.choices:
        # As the first letter of each gives it.
        those = ", ".join(translate("job", each) for each in card.choices)
        answer = translate("job", "Type the first letter: {0}.").format(those)
    elif card.entry is not None:
        answer = translate("job", "Type it, and then Enter: {0}.").format(card.entry)
    key = "" if card.part is not None else _key_words(card)
    return pronounced(sentences(card.title, card.words, card.figure, answer, key))


def turning_words(controller: JobController, card: Card, reading: Reading | None) -> str:
    """Return how far a nudge that is asked for has to go still, and which way; empty elsewhere.

    It may lead off the aim, by what the screws move the head: the needle alone does not tell it.
    """
    ask = None if controller.job is None else controller.job.ask
    if not isinstance(ask, Do) or ask.action is not Action.NUDGE:
        return ""
    left_um = controller.left_um(ask, reading)
    if left_um is None:
        return pronounced(sentences(card.figure))
    if abs(left_um) < LEAST_TOLD_UM:
        left = translate("job", "Still to go: less than 0.1 µm")
    else:
        side = translate("job", "outward") if left_um > 0.0 else translate("job", "inward")
        left = translate("job", "Still to go: {0:.1f} µm {1}").format(abs(left_um), side)
    return pronounced(sentences(words_shown(left, controller.unit), card.figure))


def _key_words(card: Card) -> str:
    """Return what Enter does, where nothing is typed or chosen."""
    if card.choices or card.entry is not None or not card.button:
        return ""
    return translate("job", "Enter: {0}.").format(card.button)


def _ended_in(job: Job) -> dict[tuple[object, ...], Step]:
    """Return the checks that have ended."""
    return {
        (step.check, step.stage, step.head, step.outcome.ended_at): step
        for step in job.steps
        if step.outcome is not None and step.state in ENDED
    }


def _found_words(step: Step, sides: int, unit: Unit) -> str:
    """Return a sentence of what a check that has ended found."""
    assert step.outcome is not None
    value = value_words(outcome_in(step.outcome, unit))
    words = ", ".join(filter(None, (verdict_name(step.outcome.verdict), value)))
    return f"{step_title(step, sides)}: {words}."


def _lasting(card: Card) -> Card:
    """Return what of a card stays for as long as it asks the same."""
    return replace(card, figure="", button="", part=None)


class JobTeller:
    """Tells what is new of a job, each once: what was found, what is asked, what is seen of it.

    What goes on counting (seconds, how far the hand has come) is told with its first words alone.
    """

    def __init__(self) -> None:
        self._told: dict[str, str] = {}
        self._found: Collection[tuple[object, ...]] | None = None

    def news(self, controller: JobController, card: Card, reading: Reading | None = None) -> str:
        """Return what is to be said now, empty where nothing is new.

        Parameters
        ----------
        controller : JobController
            Leads the job.
        card : Card
            What is shown of it.
        reading : Reading or None
            The newest, unless it is out of date.
        """
        job = controller.job
        if job is None:
            self._told, self._found = {}, None
            return ""
        found = _ended_in(job)
        # What stood when the listening began is old.
        before, self._found = found if self._found is None else self._found, found
        # Asked with each frame, and put into words once.
        ended = [
            _found_words(step, job.profile.sides, controller.unit)
            for which, step in found.items()
            if which not in before
        ]
        turning = turning_words(controller, card, reading)
        live = "" if turning else card.live
        if controller.doubt is not None:
            live = sentences(live, _key_words(card))
        asked = asked_words(replace(card, figure="") if turning else card)
        return " ".join(
            filter(
                None,
                (
                    *ended,
                    self._new("remark", controller.remark, controller.remark),
                    self._new("fault", controller.fault, controller.fault),
                    self._new("ask", asked, asked_words(_lasting(card)), more=turning),
                    self._new("live", pronounced(live)),
                    self._new("hand", self._hand_words(card)),
                ),
            )
        )

    def _hand_words(self, card: Card) -> str:
        """Return how the virtual hand is let, as it is told once in a job."""
        if not card.may_lend or card.by_wire:
            return self._told.get("hand", "")
        return translate("job", "Shift and Enter let the virtual hand do what is asked.")

    def _new(self, kind: str, words: str, lasting: str | None = None, more: str = "") -> str:
        """Return words where they are others than those of this kind that were told last.

        `lasting` is what of them does not go on counting, their letters when None; `more` is said
        with them and not compared.
        """
        compared = without_numbers(words) if lasting is None else lasting
        is_new = compared != self._told.get(kind, "")
        self._told[kind] = compared
        return sentences(words, more) if is_new else ""
