"""The languages that window, job and report can speak: catalogues of gettext.

What the code says is English, and each text is the key of its own translation. A catalogue is
``languages/CODE.po``, which people write, and ``CODE.mo``, which the program reads;
``python -m tests.languages`` brings the first up to date with the code and makes the second of it.
"""

from __future__ import annotations

import gettext
from pathlib import Path

ENGLISH = "en"
FOLDER = Path(__file__).with_name("languages")


def languages() -> tuple[str, ...]:
    """Return the codes (ISO 639) of all languages that there are, English first."""
    return (ENGLISH, *sorted(path.stem for path in FOLDER.glob("*.mo")))


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
        return gettext.GNUTranslations(file)
