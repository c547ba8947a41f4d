"""The report in German: all of its words, none of a user's, and the same numbers."""

from __future__ import annotations

import base64
import json
import re
import zlib
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from app.analysis import messages as of_analysis
from app.analysis.results import Message, Verdict
from app.book.model import CodingError
from app.book.store import Book
from app.cli.main import OK, run
from app.job import messages
from app.job.model import CheckName, Outcome, Stage
from app.job.sentences import message_of
from app.language import languages, say, speaking, spoken
from app.numbers import Unit, words_shown
from app.report.check import changes_in_page, changes_in_sheets
from app.report.content import report_of
from app.report.html import page_of
from app.report.pdf import drawn
from app.report.seal import into_page, into_sheets, opened, sealed
from app.report.wording import begun, phrase, record_told, told
from tests.app.book.jobs import DRIVE, filled
from tests.app.book.museum import HISTORY, made_virtual, record
from tests.languages.texts import texts

pytestmark = pytest.mark.usefixtures("qapp")

ENGLISH_WORDS = re.compile(
    r"\b(the|of|and|with|were|is|are|not|by|from|on|at|no|side|track|limit|job|found|left|"
    r"measured|value|outward|inward|check|stage|nudges?|head|disk|to|page)\b"
)


class Texts(HTMLParser):
    """The texts of a page's body, drawings' too, in their order; what is named in attributes."""

    def __init__(self, page):
        super().__init__()
        self.found, self.named = [], []
        self.feed(page[page.index("<body>") :])
        self.close()

    def handle_starttag(self, tag, attrs):
        self.named += [value for name, value in attrs if name in ("title", "aria-label")]

    def handle_data(self, data):
        self.found.append(data)


def german(job, unit=Unit.UM):
    return report_of(job, HISTORY, unit, "de")


def users_words(job):
    """What the record holds and no text of this program says: users', files' and older books'."""
    ours = texts()
    own = [job.drive.identity, job.drive.note, job.closing_reason]
    own += [words for each in job.head.conditions for words in each]
    own += [each.reason for each in job.outcomes if message_of(each.reason).text == "{0}"]
    own += [key for key, _, _ in job.head.profile_values]
    own += [each.source for each in job.entries]
    own += [note for each in job.entries for note in each.notes if message_of(note).text == "{0}"]
    own += [each.name for of in job.outcomes for each in of.details if each.name not in ours]
    return sorted({*own, "evenlobe verify FILE"} - {"", "yes", "no"}, key=len, reverse=True)


def test_a_german_report_has_no_english_of_ours():
    job = made_virtual(record())
    own = users_words(job)
    shown = Texts(page_of(german(job)))
    for words in (*shown.found, *shown.named):
        rest = words
        for each in own:
            rest = rest.replace(each, "").replace(begun(each), "")
        assert not ENGLISH_WORDS.search(rest), words


def test_users_words_stay_also_where_they_are_words_of_ours_and_so_do_numbers():
    job, words = record(), "spindle speed"
    said = replace(job.head, conditions=(("technician", "belt"), ("pass", "as found")))
    job = replace(job, head=said, closing_reason="pass", drive=replace(job.drive, note="belt"))
    skipped = [each for each in job.outcomes if each.verdict is Verdict.SKIPPED]
    others = [each for each in job.outcomes if each.verdict is not Verdict.SKIPPED]
    job = replace(job, outcomes=(*others, *(replace(each, reason=words) for each in skipped)))
    english, other = (Texts(page_of(each)).found for each in (report_of(job, HISTORY), german(job)))
    for own in ("belt", "pass", "as found", words):
        assert own in other
    numbers = re.compile(r"\d+\.\d+")
    assert sorted(numbers.findall(" ".join(english))) == sorted(numbers.findall(" ".join(other)))


def test_a_page_tells_its_language():
    assert '<html lang="de">' in page_of(german(record()))
    assert '<html lang="en">' in page_of(report_of(record()))
    assert spoken() == "en"


def test_in_mil_no_german_sentence_has_a_micrometre():
    with speaking("de"):
        said = say(messages.AIM_BEYOND.text, "800", "500")
    assert "µm" in said
    assert "µm" not in words_shown(said, Unit.MIL)
    page = page_of(german(record(), Unit.MIL))
    assert "µm" not in page[: page.index("Anhang")]


def test_a_german_page_is_verified():
    report = german(record())
    page = into_page(page_of(report), report.sealed)
    assert changes_in_page(page)[0] == []
    changed = page.replace("−33.7", "−3.7", 1)
    assert "−33.7" in changes_in_page(changed)[0][0]


def test_a_german_pdf_is_verified():
    report = german(record())
    data = drawn(report)[0]
    assert changes_in_sheets(into_sheets(data, report.sealed))[0] == []
    first, *rest = record().outcomes
    other = german(replace(record(), outcomes=(first, replace(rest[0], value=301.3), *rest[1:])))
    told_of = changes_in_sheets(into_sheets(drawn(other)[0], report.sealed))[0]
    assert "page 2 is not as its record gives it" in told_of


def test_a_report_of_before_opens_as_english_and_one_of_an_unknown_language_not():
    tree = json.loads(zlib.decompress(base64.b64decode(sealed(record(), HISTORY, Unit.UM))))
    assert opened(packed({key: tree[key] for key in tree if key != "language"})).language == "en"
    with pytest.raises(CodingError, match="“xx”, which is not known here"):
        opened(packed({**tree, "language": "xx"}))
    with pytest.raises(CodingError, match="“\ufffd\\[2Jn”, which is not known here"):
        opened(packed({**tree, "language": "\x1b[2Jn"}))


def packed(tree):
    return base64.b64encode(zlib.compress(json.dumps(tree).encode())).decode()


def test_names_are_said_with_their_numbers_and_part_by_part():
    with speaking("de"):
        assert phrase("burst 12") == "Burst 12"
        assert phrase("from outside 2") == "von außen 2"
        assert phrase("amplitude, outer 1F") == "Amplitude, außen 1F"
        assert phrase("a {brace} 3") == "a {brace} 3"
        assert begun(say("room temperature")) == "Raumtemperatur"


def test_kept_sentences_are_said_also_where_some_stand_in_a_row():
    kept = (
        (messages.FEW_SEATINGS, ("2",)),
        (messages.SPREAD_ZERO, ()),
        (messages.STANDS_OUT, ("3",)),
    )
    row = "; ".join(str(Message(each.text, values)) for each, values in kept)
    with speaking("de"):
        assert told(row) == "; ".join(say(each.text, *values) for each, values in kept)
        within = str(Message(messages.TRACK_WITHOUT.text, ("16", str(of_analysis.CLIPPED))))
        assert told(within) == say(messages.TRACK_WITHOUT.text, 16, say(of_analysis.CLIPPED.text))
        assert told("nobody's words; and more") == "nobody's words; and more"


def test_of_the_mechanics_the_parts_are_said_and_the_words_kept():
    found = Outcome(
        CheckName.MECHANICS,
        Stage.AS_FOUND,
        Verdict.FAIL,
        reason="belt: no; not looked at: pad, cone",
    )
    with speaking("de"):
        (outcome,) = record_told(replace(record(), outcomes=(found,))).outcomes
    assert outcome.reason == "Riemen: no; nicht angesehen: Andruckfilz, Konus"


@pytest.mark.parametrize("code", languages())
def test_the_command_writes_in_a_language(tmp_path, code):
    path, out = tmp_path / "book.sqlite3", tmp_path / "report.html"
    with Book(path) as book:
        filled(book)
    words = ["report", "--drive", DRIVE.identity, "--book", str(path), "--out", str(out)]
    assert run([*words, "--language", code]) == OK
    assert f'<html lang="{code}">' in out.read_text(encoding="utf-8")
    assert run(["verify", str(out), "--book", str(path)]) == OK
