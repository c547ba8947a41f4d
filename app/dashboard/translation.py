"""The window's language: the system's, or another that the user chose."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import QCoreApplication, QLibraryInfo, QLocale, QTranslator

from app import language
from app.language import ENGLISH, catalogue, languages

SYSTEM = ""
"""The choice of whatever language the system has."""


def language_of(choice: str, wanted: Sequence[str] | None = None) -> str:
    """Return the code of the language to speak.

    Parameters
    ----------
    choice : str
        A code, or :data:`SYSTEM`.
    wanted : sequence of str or None
        Codes that the system's user reads, the best first, as ``de-AT``; None asks the system.
    """
    there = languages()
    for each in (
        (choice,) if choice else QLocale.system().uiLanguages() if wanted is None else wanted
    ):
        code = each.replace("_", "-").split("-")[0].lower()
        if code in there:
            return code
    return ENGLISH


def next_choice(choice: str) -> str:
    """Return the choice that follows: the system's, then each language."""
    every = (SYSTEM, *languages())
    return every[(every.index(choice) + 1) % len(every)] if choice in every else SYSTEM


def name_of(code: str) -> str:
    """Return what a language calls itself."""
    return QLocale(code).nativeLanguageName()


class Translation(QTranslator):
    """The words of one language, whatever part of the window asks for them."""

    def __init__(self, code: str, parent: QCoreApplication | None = None) -> None:
        super().__init__(parent)
        self._catalogue = catalogue(code)

    def isEmpty(self) -> bool:  # noqa: N802 - Qt's name
        """Tell Qt that there is something to look up."""
        return False

    def translate(
        self, context: str, source: str, disambiguation: str | None = None, n: int = -1
    ) -> str:
        """Return a text in this language, and in English where there is none."""
        # The empty key is the catalogue's own head.
        return self._catalogue.gettext(source) if source else ""


def lacks(code: str) -> str:
    """Return what a language has no words for, in one sentence; empty where it is whole.

    Raises
    ------
    OSError
        When its catalogue cannot be read.
    """
    count = language.lacking(code)
    if not count:
        return ""
    words = QCoreApplication.translate(
        "language", "{0} is not whole: the texts that it lacks, {1}, stay English."
    )
    return words.format(name_of(code), count)


def speak(app: QCoreApplication, code: str) -> str:
    """Let all that is shown from now on be in a language; Qt's own dialogs too.

    Returns what is to be said of it: that it lacks words, or cannot be spoken at all.
    """
    try:
        language.speak(code)
    except OSError:
        # In English, the only one that is left.
        return f"Language “{name_of(code)}”: its catalogue “{code}.mo” is damaged; install it anew."
    if code == ENGLISH:
        return ""
    qt = QTranslator(app)
    if qt.load(f"qtbase_{code}", QLibraryInfo.path(QLibraryInfo.LibraryPath.TranslationsPath)):
        app.installTranslator(qt)
    app.installTranslator(Translation(code, app))
    return lacks(code)
