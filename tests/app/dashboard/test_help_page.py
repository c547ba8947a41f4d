"""What can hurt and what the keys do: the first page, the job and README are of one mind."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pytest

from app.dashboard.help_page import cautions, help_html, keys
from app.job.checks.prepare import CAUTIONS

README = Path(__file__).parents[3].joinpath("README.md").read_text(encoding="utf-8")
HAZARDS = {
    "mains": r"mains",
    "the scope's earth": r"ground clip.* is earth",
    "a line input": r"line input.* 2 V",
    "what turns": r"belt.*hub|moving parts|belts, hub",
    "writing to the alignment disk": r"never write .*alignment disk",
}


@pytest.mark.parametrize("hazard", HAZARDS)
def test_each_hazard_is_told_on_the_page_in_a_job_and_in_readme(hazard):
    section = README.split("\n## Cautions\n", 1)[1].split("\n## ", 1)[0]
    in_readme = [" ".join(each.split()) for each in section.split("\n- ")[1:]]
    for told in (cautions(), map(str, CAUTIONS), in_readme):
        assert sum(bool(re.search(HAZARDS[hazard], each, re.IGNORECASE)) for each in told) == 1


def test_none_tells_of_a_hazard_that_the_others_leave_out():
    # The page alone begins with the rules that go before all of them.
    assert len(cautions()) - 1 == len(CAUTIONS) == len(HAZARDS)


def test_each_key_that_readme_names_is_on_the_page():
    named = set(re.findall(r"⇧ (?:Enter|F\d+)|\bF\d+\b|[⌫↑↓←→]", README))
    told = " ".join(key for key, _ in keys())
    on_the_page = set(re.findall(r"⇧ (?:Enter|F\d+)|\bF\d+\b|[⌫↑↓←→]", told))
    assert {"F1", "F12", "⌫", "⇧ Enter"} <= named
    assert named <= on_the_page


def test_a_column_of_sentences_is_wider_than_one_of_words():
    """A sentence in a narrow column is a tower of words, and the page two thirds empty."""
    widths = {}
    for table in help_html().split("<table")[1:]:
        rows = re.findall(r"<td width='(\d+)%'>.*?<b>(.*?)</b>", table)
        if rows:
            longest = max(len(unescape(words)) for _, words in rows)
            widths.setdefault({wide for wide, _ in rows}.pop(), []).append(longest)
    narrow, wide = sorted(widths, key=int)
    assert max(widths[narrow]) <= 40 < min(widths[wide])
