"""The catalogues: whole, with the braces of their keys, and compiled from what people wrote."""

import gettext
import string

import pytest

from app.dashboard.job_panel.brief import BRIEF, MOST_CHARACTERS
from app.language import ENGLISH, catalogue, languages
from tests.languages.catalogues import compiled, missing, read, updated
from tests.languages.texts import texts

OTHERS = [code for code in languages() if code != ENGLISH]


@pytest.fixture(scope="module")
def wanted():
    """Every text of the code."""
    return sorted(texts())


def fields(words):
    """The braces of a text with their formats, in any order."""
    return sorted(
        (name, form) for _, name, form, _ in string.Formatter().parse(words) if name is not None
    )


def test_german_is_there():
    assert "de" in OTHERS


def test_english_is_what_the_code_says():
    assert catalogue(ENGLISH).gettext("as found") == "as found"


@pytest.mark.parametrize("code", OTHERS)
def test_a_catalogue_has_every_text_and_no_other(code, wanted):
    there = read(code)
    assert sorted(str(each.id) for each in there if each.id) == wanted
    assert missing(there) == []


@pytest.mark.parametrize("code", OTHERS)
def test_translations_have_the_braces_and_the_edges_of_their_keys(code):
    for each in read(code):
        key, words = str(each.id), str(each.string)
        if not key:
            continue
        assert fields(words) == fields(key), key
        assert key[0].isspace() == words[0].isspace(), key
        assert key[-1].isspace() == words[-1].isspace(), key


@pytest.mark.parametrize("code", OTHERS)
def test_what_the_program_reads_is_what_people_wrote(code, wanted, tmp_path):
    path = tmp_path / "again.mo"
    path.write_bytes(compiled(read(code)))
    with path.open("rb") as file:
        again = gettext.GNUTranslations(file)
    there = catalogue(code)
    assert [*map(there.gettext, wanted)] == [*map(again.gettext, wanted)]


@pytest.mark.parametrize("code", OTHERS)
def test_brief_asks_stay_brief(code):
    there = catalogue(code)
    for words in BRIEF.values():
        assert len(there.gettext(words).format("000", "000", "000")) <= MOST_CHARACTERS, words


def test_a_catalogue_is_brought_up_to_date(monkeypatch):
    before = read("de")
    kept = next(str(each.id) for each in before if each.id and each.string)
    monkeypatch.setattr("tests.languages.catalogues.texts", lambda: {kept: "a", "new": "b"})
    after = updated(before, "de")
    assert after.get(kept).string == before.get(kept).string
    assert missing(after) == ["new"]
    assert len(after) == 2
