"""The budgets of a report: a table and a picture of what makes its offset unsure, and all U."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from app.analysis.budget import Part, shares
from app.job.budget import what_dominates
from app.job.model import CheckName, Outcome, Stage
from app.language import say
from app.numbers import MINUS, two_digits
from app.report.blocks import Figures, Lines, ReportBlock, Table, titled, wide_enough
from app.report.figures import draw_budget
from app.report.wording import told

_PICTURED = ((Stage.AS_LEFT, 0), (Stage.AS_FOUND, 0))
"""Whose budget is shown in full: of the first that there is."""

_LEAST_PART = 0.01
"""Of u: a part that is less changes it by less than a ten-thousandth."""


def budgets(outcomes: Sequence[Outcome]) -> tuple[ReportBlock, ...]:
    """Return the blocks of the section on uncertainty, none where nothing has a budget."""
    with_parts = [each for each in outcomes if _is_sound(each)]
    blocks: list[ReportBlock] = []
    shown = _shown(with_parts)
    if shown is not None:
        of = (shown.side, say(shown.stage))
        caption = say("Parts of u of the radial offset, side {0}, {1}", *of)
        blocks.append(Figures((draw_budget(shown.budget, caption),)))
        blocks.append(_parts_table(shown.budget))
        said = what_dominates(shown.budget)
        blocks += [] if said is None else [Lines((told(str(said)),))]
    if with_parts:
        blocks.append(_all(with_parts))
    return tuple(blocks)


def _is_sound(outcome: Outcome) -> bool:
    parts = (number for part in outcome.budget for number in (part.u, part.value))
    numbers = (outcome.u or math.nan, outcome.covering_u or math.nan, *parts)
    return bool(outcome.budget) and all(map(math.isfinite, numbers))


def _shown(outcomes: Iterable[Outcome]) -> Outcome | None:
    radial = {(each.stage, each.side): each for each in outcomes if each.check is CheckName.RADIAL}
    return next((radial[key] for key in _PICTURED if key in radial), None)


def _parts_table(parts: Sequence[Part]) -> Table:
    rows = tuple(
        (
            say(part.name),
            _signed(part.value) if part.value else "–",
            two_digits(part.u),
            "∞" if part.dof is None else f"{part.dof:.0f}",
            say(part.shape),
            f"{100.0 * share:.0f} %",
        )
        for part, share in zip(parts, shares(parts), strict=True)
    )
    unit = parts[0].unit
    head = (
        say("Part"),
        say("Corrected, {0}", unit),
        f"u, {unit}",
        say("Freedom"),
        say("Distribution"),
        say("Share"),
    )
    return Table(head, rows, (0.3, 0.14, 0.12, 0.16, 0.16, 0.12), fine=True)


def _all(outcomes: Iterable[Outcome]) -> Table:
    rows = tuple(
        (
            titled(each),
            say(each.stage),
            _parts_words(each),
            f"{two_digits(each.u or 0.0)} {each.unit}",
            "∞" if each.dof is None else f"{each.dof:.0f}",
            f"{two_digits(2.0 * (each.covering_u or 0.0))} {each.unit}",
        )
        for each in outcomes
    )
    parts = say("Parts of the standard uncertainty")
    head = (say("Value"), say("Stage"), parts, "u", say("dof"), "U")
    widths = (0.19, 0.075, 0.485, 0.1, 0.05, 0.1)
    return Table(head, rows, wide_enough(widths, 1, map(say, Stage), fine=True), fine=True)


def _parts_words(outcome: Outcome) -> str:
    """Return the parts of an outcome's u; those that make no digit of it are told together."""
    least = _LEAST_PART * (outcome.u or 0.0)
    said = [f"{say(each.name)} {two_digits(each.u)}" for each in outcome.budget if each.u >= least]
    if len(said) < len(outcome.budget):
        said.append(say("others below {0}", two_digits(least)))
    return ", ".join(said)


def _signed(number: float) -> str:
    places = 1 if abs(number) >= 1.0 else 2
    return f"{number:+.{places}f}".replace("-", MINUS)
