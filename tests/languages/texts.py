"""Every text that the window, a job and the handbook can show, in the order of the modules.

What stands as a literal in a call is found by Babel; what stands in a table is taken from there.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import redirect_stderr
from io import StringIO
from pathlib import Path

from babel.messages.extract import extract_from_file

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
_CALLS = {"tr": None, "translate": (2,), "Message": None, "Value": None}
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
    # Babel warns of names that are made at run time, which are numbers' own.
    with redirect_stderr(StringIO()):
        for path in sorted(APP.rglob("*.py")):
            for _, words, _, _ in extract_from_file("python", path, keywords=_CALLS):
                found.setdefault(words, str(path.relative_to(APP.parent)))
    found.pop("", None)
    for module, words in _tables():
        if any(sign.isalpha() for sign in words):
            found.setdefault(words, module)
    return found


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
        yield "app/handbook.py", words


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
