"""Every text that the window, a job and the handbook can show, in the order of the modules.

What stands as a literal in a call is found in the code; what stands in a table is taken from there.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

from app.analysis.adjust import climate
from app.analysis.adjust.nudging import Rotation
from app.analysis.results import Side, Verdict
from app.dashboard import help_page
from app.dashboard.job_panel.brief import BRIEF
from app.dashboard.needle_page.large_trace import Fold
from app.dashboard.source_page import form
from app.handbook import TOPICS, Table
from app.job import budget
from app.job.model import Stage
from app.live.opening import KINDS, ROLES
from app.report.blocks import VERDICTS

APP = Path(help_page.__file__).parents[1]
_CALLS = {"tr": 0, "translate": 1, "Message": 0, "Value": 0}
"""Which argument of a call is a text."""
_PARTS = (
    budget.READING,
    budget.SCALE,
    budget.SEATING,
    budget.CLAMP,
    budget.ZERO,
    budget.ONCE_A_TURN,
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


def texts() -> dict[str, str]:
    """Return each text with the module that it stands in."""
    found: dict[str, str] = {}
    for path in sorted(APP.rglob("*.py")):
        for words in _literals(ast.parse(path.read_text(encoding="utf-8"))):
            found.setdefault(words, str(path.relative_to(APP.parent)))
    for module, words in _tables():
        found.setdefault(words, module)
    return {words: module for words, module in found.items() if any(map(str.isalpha, words))}


def _literals(tree: ast.Module) -> Iterator[str]:
    """Return what stands as a literal in a call that translates, also within an f-string."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        name = (
            node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        )
        place = _CALLS.get(name)
        if place is not None and len(node.args) > place:
            words = node.args[place]
            if isinstance(words, ast.Constant) and isinstance(words.value, str):
                yield words.value


def _tables() -> Iterator[tuple[str, str]]:
    for words in BRIEF.values():
        yield "app/dashboard/job_panel/brief.py", words
    for words in _PARTS:
        yield "app/job/budget.py", words
    for words in (*Side, *Rotation, *_WORDS):
        yield "app/job/messages.py", words
    for words in (*Stage, *(VERDICTS[each] for each in Verdict), *Fold):
        yield "app/dashboard", str(words)
    for words in _of_kinds():
        yield "app/live/opening.py", words
    for words in _of_help():
        yield "app/dashboard/help_page.py", words
    for words in _of_handbook():
        yield "app/handbook", words


def _of_kinds() -> Iterator[str]:
    yield from ROLES
    for words, _ in form.WIRINGS:
        yield words
    for kind in KINDS.values():
        yield from (kind.body, kind.hint, kind.title)
        for option in kind.options:
            yield option.meaning


def _of_help() -> Iterator[str]:
    yield from (*help_page.CANNOT_DO, *help_page.CAUTIONS)
    for rows in (help_page.WIRING, help_page.STEPS, help_page.PROBES, help_page.KEYS):
        for row in rows:
            yield from row


def _of_handbook() -> Iterator[str]:
    for topic in TOPICS.values():
        yield topic.title
        for block in topic.body:
            if isinstance(block, Table):
                for row in block.rows:
                    yield from row
            else:
                yield block
