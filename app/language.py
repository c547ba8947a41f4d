"""The languages that window, job and report can speak: catalogues of gettext.

What the code says is English, and each text is the key of its own translation. A catalogue is
``languages/CODE.po``, which people write, and ``CODE.mo``, which the program reads;
``python -m tests.languages`` brings the first up to date with the code and makes the second of it.
"""

from __future__ import annotations

import gettext
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from pathlib import Path

ENGLISH = "en"
FOLDER = Path(__file__).with_name("languages")
LACKING = ("evenlobe", "texts lacking")
"""Context and key under which a catalogue that is not whole counts what it lacks."""
_in_force: ContextVar[str] = ContextVar("language", default=ENGLISH)


def languages() -> tuple[str, ...]:
    """Return the codes (ISO 639) of all languages that there are, English first."""
    return (ENGLISH, *sorted(path.stem for path in FOLDER.glob("*.mo")))


@cache
def catalogue(code: str) -> gettext.NullTranslations:
    """Return a language's translations; what it does not have stays English.

    Raises
    ------
    OSError
        When its file cannot be read.
    """
    if code == ENGLISH:
        return gettext.NullTranslations()
    with (FOLDER / f"{code}.mo").open("rb") as file:
        try:
            return gettext.GNUTranslations(file)
        except (ValueError, LookupError, struct.error) as fault:
            raise OSError(f"{file.name} is no catalogue") from fault


def lacking(code: str) -> int:
    """Return how many texts have no translation, by what the catalogue's maker has counted.

    Raises
    ------
    OSError
        When its file cannot be read.
    """
    told = catalogue(code).pgettext(*LACKING)
    return int(told) if told.isdecimal() else 0


def spoken() -> str:
    """Return the code of the language in force."""
    return _in_force.get()


def speak(code: str) -> None:
    """Have a language in force from now on for :func:`say`, in this thread.

    Raises
    ------
    OSError
        When its catalogue cannot be read.
    """
    catalogue(code)
    _in_force.set(code)


@contextmanager
def speaking(code: str) -> Iterator[None]:
    """Have a language in force for a while; see :func:`speak`."""
    before = spoken()
    speak(code)
    try:
        yield
    finally:
        speak(before)


def say(text: str, *values: object) -> str:
    """Return a text in the language in force, filled in as by ``str.format``.

    It is the key of its translation; without values its braces are left alone.
    """
    # The empty key is the catalogue's own head.
    words = catalogue(spoken()).gettext(text) if text else ""
    if not values:
        return words
    try:
        return words.format(*values)
    except (IndexError, KeyError, ValueError):  # a translation with other braces than its key
        return text.format(*values)
