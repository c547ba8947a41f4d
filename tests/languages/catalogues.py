"""Catalogues as files: read, brought up to date, written and compiled by Babel."""

from __future__ import annotations

from copy import deepcopy
from datetime import UTC, datetime
from io import BytesIO

from babel.messages.catalog import Catalog
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po

from app.language import FOLDER, LACKING
from tests.languages.texts import texts

# The same code gives the same file: dates are the repository's affair.
_NO_DATE = datetime(2000, 1, 1, tzinfo=UTC)


def read(code: str) -> Catalog:
    """Return a language's catalogue as it is, an empty one where there is none."""
    path = FOLDER / f"{code}.po"
    if not path.exists():
        return Catalog(locale=code)
    with path.open("rb") as file:
        return read_po(file, locale=code, abort_invalid=True)


def updated(before: Catalog, code: str) -> Catalog:
    """Return a catalogue with every text of the code, and what was translated of them."""
    after = Catalog(
        locale=code,
        project="Evenlobe",
        header_comment="# The words of Evenlobe in another language; the licence is the program's.",
        msgid_bugs_address="",
        last_translator="",
        language_team="",
        creation_date=_NO_DATE,
        revision_date=_NO_DATE,
        fuzzy=False,
    )
    for words, module in texts().items():
        known = before.get(words)
        after.add(words, known.string if known else "", locations=[(module, 0)])
    return after


def missing(catalogue: Catalog) -> list[str]:
    """Return the texts that have no translation."""
    return [str(each.id) for each in catalogue if each.id and not each.string]


def written(catalogue: Catalog) -> bytes:
    """Return a catalogue's text."""
    file = BytesIO()
    write_po(file, catalogue, width=100, include_lineno=False, sort_by_file=True)
    return file.getvalue()


def compiled(catalogue: Catalog) -> bytes:
    """Return a catalogue as the program reads it, with the number of texts that it lacks."""
    file, told = BytesIO(), deepcopy(catalogue)
    if lacking := len(missing(catalogue)):
        context, key = LACKING
        told.add(key, str(lacking), context=context)
    write_mo(file, told)
    return file.getvalue()
