"""The table of a campaign, its figures held against what is to be reached, and its failures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.benchmarks.tables import table
from tests.hunt.campaign import Outcome
from tests.hunt.judge import FAR_U, Error
from tests.hunt.live import LIVE

_SHOWN = 12
"""Failures of a class that are listed; the rest are counted."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of a campaign, and whether it is as it should be."""

    what: str
    found: str
    wanted: str
    reached: bool

    def __str__(self) -> str:
        word = "PASS" if self.reached else "FALLS SHORT"
        return f"{word:<12} {self.what}: {self.found} ({self.wanted})"


def _errors(outcomes: Sequence[Outcome]) -> list[Error]:
    return [each.verdict.ratio for each in outcomes if each.verdict.ratio is not None]


def _speeds(outcomes: Sequence[Outcome]) -> list[Error]:
    return [each.verdict.speed for each in outcomes if each.verdict.speed is not None]


def _within(errors: Sequence[Error], times: float = 2.0) -> float:
    return float(np.mean([abs(each.error) <= times * each.u for each in errors]))


def _u_over_scatter(errors: Sequence[Error]) -> float:
    """Return how large u is beside what the errors scatter by: one over the rms pull."""
    pulls = np.array([each.pull for each in errors])
    return float(1.0 / np.sqrt(np.mean(pulls**2))) if np.any(pulls) else float("inf")


def by_class(outcomes: Sequence[Outcome]) -> dict[str, list[Outcome]]:
    """Return the outcomes of each class, in the order in which the classes first come."""
    grouped: dict[str, list[Outcome]] = {}
    for each in outcomes:
        grouped.setdefault(each.key.name, []).append(each)
    return grouped


def class_table(outcomes: Sequence[Outcome], title: str = "Classes") -> str:
    """Return a row for each class."""
    rows = [_row(name, several) for name, several in by_class(outcomes).items()]
    heads = (
        "class",
        "draws",
        "valid",
        "plain refused",
        "wrong",
        "what",
        "> 4 u",
        "worst error",
        "its u",
        "largest pull",
        "within 2u",
        "speed within 2u",
        "u / scatter",
    )
    return table(title, heads, rows)


def _row(name: str, several: Sequence[Outcome]) -> list[str]:
    errors, speeds = _errors(several), _speeds(several)
    plain = [each for each in several if each.is_plain]
    refused = sum(not each.verdict.valid for each in plain)
    faults = [each.verdict.faults() for each in several]
    kinds = sorted({kind for each in faults for kind in each})
    worst = max(errors, key=lambda each: abs(each.error), default=None)
    return [
        name,
        str(len(several)),
        str(sum(each.verdict.valid for each in several)),
        f"{refused}/{len(plain)}",
        str(sum(map(bool, faults))),
        " ".join(kinds),
        str(sum(bool(each.verdict.faults(FAR_U)) for each in several)),
        "" if worst is None else f"{abs(worst.error):.4f}",
        "" if worst is None else f"{worst.u:.4f}",
        "" if not errors else f"{max(abs(each.pull) for each in errors):.1f}",
        "" if not errors else f"{100 * _within(errors):.0f} %",
        "" if not speeds else f"{100 * _within(speeds):.0f} %",
        "" if not errors else f"{_u_over_scatter(errors):.2f}",
    ]


def figures(outcomes: Sequence[Outcome]) -> list[Figure]:
    """Return the figures of a campaign over classes."""
    plain = [each for each in outcomes if each.is_plain and each.key.name not in LIVE]
    watched = [each for each in outcomes if each.is_plain and each.key.name in LIVE]
    refused, parked = (
        sum(not each.verdict.valid for each in several) for several in (plain, watched)
    )
    close = sum(
        each.ratio is not None and each.ratio.u <= 0.01 for each in (o.verdict for o in plain)
    )
    wrong = {
        kind: sum(kind in each.verdict.faults() for each in outcomes)
        for kind in ("ratio", "speed", "side", "note", "nothing", "crash", "late")
    }
    far = sum("ratio" in each.verdict.faults(FAR_U) for each in outcomes)
    far_speed = sum("speed" in each.verdict.faults(FAR_U) for each in outcomes)
    return [
        _none("ratios beyond 0.002 and 5u", wrong["ratio"]),
        _none("speeds beyond 5u", wrong["speed"]),
        Figure("ratios beyond 0.002 and 4u", str(far), "at most 5", far <= 5),
        Figure("speeds beyond 4u", str(far_speed), "at most 5", far_speed <= 5),
        _none("wrong sides said known", wrong["side"]),
        _none("notes that are missing", wrong["note"]),
        _none("readings of what holds nothing", wrong["nothing"]),
        _none("needles parked late or without a reason", wrong["late"]),
        _none("crashes", wrong["crash"]),
        _share("plain ones refused", refused, len(plain), most=0.03),
        _share("plain ones parked live", parked, len(watched), most=0.03),
        _share("plain ones valid with u at most 0.01", close, len(plain), least=0.95),
    ]


def _none(what: str, count: int) -> Figure:
    return Figure(what, str(count), "none", count == 0)


def _share(what: str, count: int, of: int, *, least: float = 0.0, most: float = 1.0) -> Figure:
    share = count / of if of else 0.0
    wanted = f"at least {100 * least:g} %" if least else f"at most {100 * most:g} %"
    found = f"{100 * share:.1f} % of {of}"
    return Figure(what, found, wanted, least <= share <= most)


def row_figures(outcomes: Sequence[Outcome]) -> list[Figure]:
    """Return the figures of the rows of conditions: does u say how the values scatter?"""
    found: list[Figure] = []
    for name, several in by_class(outcomes).items():
        limit = 2.0 if any(each.doses for each in several) else 1.3
        for what, errors in (("ratio", _errors(several)), ("speed", _speeds(several))):
            if not errors:
                found.append(Figure(f"{name}, {what}", "no value", "94 to 97 % within 2u", False))
                continue
            within = _within(errors)
            size = _u_over_scatter(errors)
            found.append(
                Figure(
                    f"{name}, {what} within 2u",
                    f"{100 * within:.1f} % of {len(errors)}",
                    "94 to 97 %",
                    0.94 <= within <= 0.97,
                )
            )
            if what == "ratio":
                found.append(
                    Figure(
                        f"{name}, u over scatter",
                        f"{size:.2f}",
                        f"at most {limit:g}",
                        size <= limit,
                    )
                )
    return found


def failures(outcomes: Sequence[Outcome]) -> list[str]:
    """Return for each failure what is wrong, by how much, and the line that repeats it."""
    lines: list[str] = []
    for name, several in by_class(outcomes).items():
        failed = [each for each in several if each.verdict.faults()]
        failed.sort(key=lambda each: -_size(each))
        lines += [_failure(each) for each in failed[:_SHOWN]]
        if len(failed) > _SHOWN:
            lines.append(f"{name}: {len(failed) - _SHOWN} more")
    return lines


def refusals(outcomes: Sequence[Outcome]) -> list[str]:
    """Return for each class why plain captures were refused, with a line that repeats one."""
    lines: list[str] = []
    for name, several in by_class(outcomes).items():
        refused = [each for each in several if each.is_plain and not each.verdict.valid]
        counts: dict[tuple[str, ...], list[Outcome]] = {}
        for each in refused:
            counts.setdefault(each.verdict.reasons, []).append(each)
        for reasons, those in sorted(counts.items(), key=lambda item: -len(item[1])):
            lines.append(f"{name}: {len(those)} × {'; '.join(reasons)}   {those[0].key}")
    return lines


def _size(outcome: Outcome) -> float:
    ratio = outcome.verdict.ratio
    return 0.0 if ratio is None else abs(ratio.error)


def _failure(outcome: Outcome) -> str:
    verdict = outcome.verdict
    parts = [outcome.key.name, ",".join(verdict.faults())]
    for name, error in (("ratio", verdict.ratio), ("speed", verdict.speed)):
        if error is not None and name in verdict.faults():
            parts.append(f"{name} {error.error:+.4f} (u {error.u:.4f}, {error.pull:+.1f}u)")
    if verdict.crashed:
        parts.append("; ".join(verdict.reasons))
    return "  ".join([*parts, " ".join(outcome.doses), f"  {outcome.key}"])
