"""Every text that window, job, report and handbook can show, in the order of the modules.

What stands as a literal in a call is found in the code; what stands in a table is taken from there.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

from app.analysis.adjust import climate
from app.analysis.adjust.nudging import Rotation
from app.analysis.budget import Shape
from app.analysis.results import Side, Verdict
from app.dashboard import help_page
from app.dashboard.job_panel.brief import BRIEF
from app.dashboard.needle_page.large_trace import Fold, Seen
from app.dashboard.source_page import form
from app.handbook import TOPICS, TopicTable
from app.job import budget, plan
from app.job.checks.mechanics import PARTS, words_key
from app.job.job import SOURCE_CHANGED
from app.job.model import APART, DESCRIPTIONS, INSERTED, ROOM, UNSEEN, AimKind, Stage
from app.live.opening import KINDS, ROLES
from app.profiles import load_profile, profile_names, profile_values
from app.report.blocks import PLANS, TITLES, VERDICTS
from app.report.content import COUNTS
from app.report.owner import NAMES
from app.report.wording import CHOICES

APP = Path(help_page.__file__).parents[1]
_CALLS = {"tr": 0, "translate": 1, "Message": 0, "Value": 0}
"""Which argument of a call is a text."""
_CALLS_OF_JOB = {"Value.of": 0, "Enter": 0, "Measure": 2, "measure_lobes": 1, "look": 1}
"""Which is a name or a label, which the book keeps; and of a budget's part:"""
_CALLS_OF_JOB |= {"Part": 0, "one_part": 0, "_row": 0, "_measure_speed": 1}
_PARTS = (
    budget.READING,
    budget.SCALE,
    budget.SEATING,
    budget.CLAMP,
    budget.ZERO,
    budget.ONCE_A_TURN,
    budget.ONCE_ASSUMED,
    climate.TEMPERATURE,
    climate.HUMIDITY,
    climate.CERTIFIED,
    climate.OVAL,
)
# What stands in the braces of messages, and is a word.
_WORDS = (
    "inner",
    "outer",
    "faster",
    "slower",
    "noise",
    "converter's steps",
    "detector's law",
    "low corner",
)
# Names and labels that stand in tables of the code, or are put together.
_NAMES = (
    *("offset", "balance", "ratio", "first lobe", "second lobe", "speed", "carrier", "SNR"),
    *("short-term variation", "drift", "azimuth", "misfit", "index to burst", "scatter"),
    *("amplitude", "frequency", "modulation", "modulation once a turn", "asymmetry", "level"),
    *("from outside", "from inside", "from outside {0}", "from inside {0}", "hysteresis"),
    *("outer {0}F", "inner {0}F", "nudges", "half steps", "middle"),
    "trimmed {0}",
)


def texts() -> dict[str, str]:
    """Return each text with the module that it stands in."""
    found: dict[str, str] = {}
    for path in sorted(APP.rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for words in _literals(tree, _calls(tree, path)):
            found.setdefault(words, str(path.relative_to(APP.parent)))
    for module, words in _tables():
        found.setdefault(words, module)
    return {str(words): module for words, module in found.items() if any(map(str.isalpha, words))}


def _calls(tree: ast.Module, path: Path) -> dict[str, int]:
    """Return which calls of a module have a text, and where: ``say`` is the language's alone."""
    speaks = any(
        isinstance(node, ast.ImportFrom)
        and node.module == "app.language"
        and any(each.name == "say" for each in node.names)
        for node in tree.body
    )
    of_job = _CALLS_OF_JOB if path.is_relative_to(APP / "job") else {}
    return {**_CALLS, **of_job, **({"say": 0} if speaks else {})}


def _literals(tree: ast.Module, calls: dict[str, int]) -> Iterator[str]:
    """Return the texts of each call that translates, also within an f-string."""
    constants = {
        name.id: node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Assign)
        for name in node.targets
        if isinstance(name, ast.Name)
    }
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        place = next((calls[name] for name in _names(node.func) if name in calls), None)
        if place is not None and len(node.args) > place:
            words = node.args[place]
            if isinstance(words, ast.Name):
                words = constants.get(words.id, words)
            yield from _text_of(words)


def _names(function: ast.expr) -> tuple[str, ...]:
    """Return by which names a function is called: with what it is of, and without."""
    if isinstance(function, ast.Attribute):
        return ast.unparse(function), function.attr
    return (getattr(function, "id", ""),)


def _text_of(node: ast.expr) -> Iterator[str]:
    """Return a literal's text; what an f-string fills in stands in braces, as in a message."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    if isinstance(node, ast.JoinedStr):
        count = iter(range(len(node.values)))
        yield "".join(
            str(part.value) if isinstance(part, ast.Constant) else f"{{{next(count)}}}"
            for part in node.values
        )


def _tables() -> Iterator[tuple[str, str]]:
    for words in BRIEF.values():
        yield "app/dashboard/job_panel/brief.py", words
    for words in _PARTS:
        yield "app/job/budget.py", words
    for words in (*Side, *Rotation, *_WORDS):
        yield "app/job/messages.py", words
    for words in _of_job():
        yield "app/job", words
    for words in _of_report():
        yield "app/report", words
    for words in (*Stage, *(VERDICTS[each] for each in Verdict), *Fold, *Seen):
        yield "app/dashboard", str(words)
    for words in _of_kinds():
        yield "app/live/opening.py", words
    for words in _of_help():
        yield "app/dashboard/help_page.py", words
    for words in _of_handbook():
        yield "app/handbook", words


def _of_job() -> Iterator[str]:
    yield from (*_NAMES, *Shape, *AimKind, *chain.from_iterable(DESCRIPTIONS))
    for part, _ in PARTS:
        yield from (part, words_key(part))
    yield from (*CHOICES, APART, ROOM, UNSEEN, INSERTED, SOURCE_CHANGED, *plan.REASONS)
    for name in profile_names():
        for _, value, source in profile_values(load_profile(name)):
            # A value is a number with its unit, or words.
            yield from (source, *([] if any(map(str.isdigit, value)) else [value]))


def _of_report() -> Iterator[str]:
    yield from (*TITLES.values(), *PLANS.values(), *NAMES.values(), *COUNTS.values(), *Verdict)


def _of_kinds() -> Iterator[str]:
    yield from ROLES
    yield from form.LABELS.values()
    for words, _ in form.WIRINGS:
        yield words
    for kind in KINDS.values():
        yield from (kind.body, kind.hint, kind.title)
        for option in kind.options:
            yield from (option.meaning, *option.words)


def _of_help() -> Iterator[str]:
    yield from (*help_page.CANNOT_DO, *help_page.CAUTIONS)
    for rows in (help_page.WIRING, help_page.STEPS, help_page.PROBES, help_page.KEYS):
        for row in rows:
            yield from row


def _of_handbook() -> Iterator[str]:
    for topic in TOPICS.values():
        yield topic.title
        for block in topic.body:
            if isinstance(block, TopicTable):
                for row in block.rows:
                    yield from row
            else:
                yield block
