"""The window in another language: which it is, how it is chosen, and that all of it is spoken."""

import json
import subprocess
import sys

import pytest
from babel.messages.catalog import Catalog
from PySide6.QtCore import QCoreApplication, QTimer
from PySide6.QtWidgets import QApplication

from app import language
from app.analysis.results import Message
from app.blackbox import recorder
from app.dashboard import translation
from app.dashboard.help_page import cautions
from app.dashboard.job_panel.panel import Card, CardView, _range
from app.dashboard.program import run_dashboard
from app.dashboard.settings import Settings
from app.dashboard.style import LIGHT
from app.dashboard.text import said, translate
from app.dashboard.translation import SYSTEM, Translation, language_of, name_of, next_choice
from app.dashboard.widgets import key_words
from app.dashboard.window import MainWindow
from app.job import messages
from app.job.model import Enter
from app.language import speaking
from tests.app.dashboard.fakes import FakeControls, FakeSession, view
from tests.languages.catalogues import compiled


@pytest.fixture
def german(qapp):
    made = Translation("de")
    qapp.installTranslator(made)
    with speaking("de"):
        yield made
    qapp.removeTranslator(made)


@pytest.mark.parametrize(
    ("choice", "wanted", "code"),
    [
        (SYSTEM, ["de-AT", "en-GB"], "de"),
        (SYSTEM, ["fr-FR", "de"], "de"),
        (SYSTEM, ["fr-FR"], "en"),
        (SYSTEM, ["C"], "en"),
        ("de", ["en-GB"], "de"),
        ("en", ["de-DE"], "en"),
        # One that a newer version had, or that a hand wrote into the settings.
        ("xx", ["de-DE"], "en"),
    ],
)
def test_the_language_is_the_chosen_one_or_the_system_s(choice, wanted, code):
    assert language_of(choice, wanted) == code


def test_choices_go_round():
    seen, choice = [], SYSTEM
    for _ in range(3):
        choice = next_choice(choice)
        seen.append(choice)
    assert seen == ["en", "de", SYSTEM]
    assert next_choice("xx") == SYSTEM
    assert name_of("de") == "Deutsch"


def test_a_choice_is_remembered_and_told(qtbot, tmp_path):
    path = tmp_path / "window.json"
    window = MainWindow(FakeSession(), LIGHT, settings=Settings(path))
    qtbot.addWidget(window)
    window.looks.next_language()
    window.looks.next_language()
    assert "Deutsch" in window.top_bar.words
    assert json.loads(path.read_text())["language"] == "de"
    assert Settings(path).language == "de"


def test_the_window_speaks(qtbot, german):
    window = MainWindow(FakeSession(view(0.12), FakeControls()), LIGHT)
    qtbot.addWidget(window)
    window.tick()
    assert "VIRTUELLES LAUFWERK" in window.top_bar.words
    assert window.needle_page.meter.accessibleName() == "Zeigerinstrument"
    assert all(
        words != english for words, english in zip(cautions(), plain(german, cautions), strict=True)
    )


def plain(spoken, told):
    app = QCoreApplication.instance()
    app.removeTranslator(spoken)
    words = told()
    app.installTranslator(spoken)
    return words


def test_a_message_is_said_with_its_values(german):
    words = said(Message(messages.SEEK.text, ("16", "0")))
    assert "16" in words
    assert words != str(Message(messages.SEEK.text, ("16", "0")))


def test_a_unit_that_is_a_word_is_spoken(german):
    track = _range(Enter("track", messages.WHICH_TRACK, "track", 0.0, 39.0))
    warm = _range(Enter("room", messages.ROOM_TEMPERATURE, "°C", 10.0, 35.0))
    assert (track, warm) == (
        "Spur  0 bis 39; leer: nicht bekannt",
        "°C  10 bis 35; leer: nicht bekannt",
    )


def test_what_a_catalogue_lacks_stays_english(german):
    assert translate("dashboard", "no text of ours") == "no text of ours"
    assert translate("dashboard", "") == ""


@pytest.fixture
def french(qapp, tmp_path, monkeypatch):
    """Puts the files of a language into a folder in place of the program's own."""
    monkeypatch.setattr(language, "FOLDER", tmp_path)
    language.catalogue.cache_clear()
    installed = []
    monkeypatch.setattr(qapp, "installTranslator", installed.append)

    def put(content):
        (tmp_path / "fr.mo").write_bytes(content)
        return installed

    with speaking("en"):
        yield put
    language.catalogue.cache_clear()


LACKS = "français is not whole: the texts that it lacks, {0}, stay English."


def made_of(translations):
    """A catalogue as the program reads it; what has no words in it is lacking."""
    catalogue = Catalog(locale="fr")
    for key, words in translations.items():
        catalogue.add(key, words)
    return compiled(catalogue)


def test_a_translation_that_lacks_words_is_said_and_the_rest_is_spoken(qtbot, qapp, french):
    installed = french(made_of({"as found": "tel que trouvé", "as left": "", "Ready": ""}))
    assert translation.speak(qapp, "fr") == LACKS.format(2)
    spoken = installed[-1]
    assert spoken.translate("job", "as found") == "tel que trouvé"
    assert spoken.translate("job", "as left") == "as left"
    # It is said where it is chosen, too.
    window = MainWindow(FakeSession(), LIGHT, settings=Settings())
    qtbot.addWidget(window)
    for _ in range(2):
        window.looks.next_language()
    assert LACKS.format(2) in window.top_bar.words


def test_a_translation_that_is_whole_has_nothing_said_of_it(qapp, french):
    french(made_of({"as found": "tel que trouvé"}))
    assert translation.speak(qapp, "fr") == ""
    assert translation.speak(qapp, "en") == ""


@pytest.mark.parametrize("keep", [0, 3, 30, 200])
@pytest.mark.parametrize("noise", [b"", b"\xff" * 40])
def test_a_damaged_catalogue_is_said_and_english_is_spoken(qtbot, qapp, french, keep, noise):
    whole = made_of({"as found": "tel que trouvé", "as left": ""})
    installed = french(whole[:keep] + noise)
    told = translation.speak(qapp, "fr")
    assert told == "Language “français”: its catalogue “fr.mo” is damaged; install it anew."
    assert language.spoken() == "en"
    assert installed == []
    window = MainWindow(FakeSession(), LIGHT, settings=Settings())
    qtbot.addWidget(window)
    for _ in range(2):
        window.looks.next_language()
    assert "damaged: English is spoken" in window.top_bar.words


@pytest.mark.parametrize("damaged", [False, True])
def test_a_window_opens_in_a_language_that_is_not_whole(
    qtbot, qapp, french, tmp_path, monkeypatch, damaged
):
    french(b"nothing" if damaged else made_of({"as found": "tel que trouvé", "as left": ""}))
    monkeypatch.setattr("app.dashboard.program.language_of", lambda _: "fr")
    monkeypatch.setattr(recorder, "boxes_folder", lambda: tmp_path / "boxes")
    told = []

    def look():
        shown = [each for each in QApplication.topLevelWidgets() if isinstance(each, MainWindow)]
        told.extend(each.top_bar.words for each in shown if each.isVisible())
        QApplication.closeAllWindows()

    QTimer.singleShot(200, look)
    settings, book = tmp_path / "window.json", tmp_path / "book.sqlite3"
    assert run_dashboard(FakeSession(), None, ["evenlobe"], book=book, settings=settings) == 0
    assert ("is damaged" if damaged else LACKS.format(1)) in told[0]


def test_the_program_takes_the_system_s_language():
    words = (
        "from PySide6.QtWidgets import QApplication\n"
        "from app.dashboard.translation import language_of, speak\n"
        "app = QApplication([])\n"
        "speak(app, language_of(''))\n"
        "print(app.translate('QPlatformTheme', 'Cancel'))\n"
    )
    environment = {"QT_QPA_PLATFORM": "offscreen", "LC_ALL": "de_DE.UTF-8", "LANGUAGE": "de"}
    done = subprocess.run(
        [sys.executable, "-c", words], env=environment, capture_output=True, text=True, check=True
    )
    assert done.stdout == "Abbrechen\n"


def test_a_key_is_written_as_on_a_keyboard_of_the_language(german):
    assert [key_words(each) for each in ("Ctrl+PgDn", "F5", "⇧F8")] == ["Strg+Bild↓", "F5", "⇧F8"]


def test_an_answer_is_chosen_in_the_language_and_kept_in_the_book_s_own(qtbot, german):
    card = CardView()
    qtbot.addWidget(card)
    card.show_card(Card("", "", choices=("yes", "no")))
    kept = []
    card.answered.connect(kept.append)
    assert [each.text() for each in card._choices] == ["ja", "nein"]
    qtbot.keyClicks(card, "jn")
    card._choices[0].click()
    assert kept == ["yes", "no", "yes"]
