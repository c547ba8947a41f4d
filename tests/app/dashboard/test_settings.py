"""What is remembered, and that a file which cannot be used is said and left as it is."""

import json
import stat

import pytest
from PySide6.QtWidgets import QApplication

from app.dashboard.settings import Choice, Settings
from app.dashboard.style import Colours
from app.dashboard.text import Unit
from app.dashboard.translation import Translation
from app.live.opening import Opening
from tests.app.dashboard.fakes import FakeSession, view

CARD = Choice(Opening("sound:1?rate=48000", "envelope,index", "7+-10%", "0.2"), "90mm-135tpi", "d")


@pytest.fixture
def path(tmp_path):
    return tmp_path / "config" / "window.json"


def test_all_of_it_comes_back(path):
    before = Settings(path)
    before.unit, before.size_px, before.colours = Unit.MIL, (800, 480), Colours.CONTRAST
    before.remember(CARD)
    after = Settings(path)
    assert (after.recent, after.unit, after.size_px, after.colours, after.fault) == (
        (CARD,),
        Unit.MIL,
        (800, 480),
        Colours.CONTRAST,
        "",
    )


def test_a_file_from_before_a_line_could_be_stated_is_read(path):
    Settings(path).remember(CARD)
    tree = json.loads(path.read_text())
    del tree["recent"][0]["steps"]
    path.write_text(json.dumps(tree))
    after = Settings(path)
    assert (after.recent, after.fault) == ((CARD,), "")


def test_the_file_is_the_users_alone(path):
    Settings(path).remember(CARD)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_the_newest_comes_first_and_the_oldest_is_forgotten(path):
    settings = Settings(path)
    for seed in range(10):
        settings.remember(Choice(Opening(f"sim:seed={seed}")))
    settings.remember(Choice(Opening("sim:seed=5"), "90mm-135tpi"))
    seeds = [each.opening.address.partition("=")[2] for each in settings.recent]
    assert seeds == ["5", "9", "8", "7", "6", "4", "3", "2"]
    assert settings.recent[0].profile == "90mm-135tpi"


def test_what_is_new_and_cannot_be_opened_is_forgotten_and_pushes_nothing_out(path):
    settings = Settings(path)
    for seed in range(8):
        settings.remember(Choice(Opening(f"sim:seed={seed}")))
        settings.take_tried(opens=True)
        settings.take_tried(opens=False)  # what has been open once may fail
    kept_ones = settings.recent
    for slip in ("sim:sede=1", "gibberish"):
        settings.remember(Choice(Opening(slip)))
        settings.take_tried(opens=False)
        assert settings.recent == kept_ones
    assert Settings(path).recent == kept_ones
    # What had been open before is no slip.
    settings.remember(Choice(Opening("sim:seed=3")))
    settings.take_tried(opens=False)
    assert settings.recent[0].opening == Opening("sim:seed=3")
    assert len(settings.recent) == 8


def test_without_a_file_nothing_outlasts_the_run():
    settings = Settings()
    settings.remember(CARD)
    assert settings.recent == (CARD,)
    assert settings.fault == ""


def kept(path, content):
    path.parent.mkdir(exist_ok=True)
    path.write_text(content, encoding="utf-8")
    path.chmod(0o600)


GOOD = {"version": 1, "recent": [], "unit": "µm", "size_px": None}
WRONG = {
    "no JSON": "{",
    "no object": "[]",
    "nothing": "",
    "a unit that is none": json.dumps(GOOD | {"unit": "furlong"}),
    "colours that are none": json.dumps(GOOD | {"colours": "plaid"}),
    "an address that is none": json.dumps(GOOD | {"recent": [{"address": 5}]}),
    "control characters": json.dumps(
        GOOD
        | {
            "recent": [
                dict.fromkeys(
                    (
                        "address",
                        "roles",
                        "low_corner",
                        "detector_threshold",
                        "profile",
                        "disk",
                    ),
                    "\x1b[2J",
                )
            ]
        }
    ),
    "an endless version": '{"version": 1e999}',
    "an endless size": json.dumps(GOOD | {"size_px": [800, float("inf")]}),
    "a size of one": json.dumps(GOOD | {"size_px": [5]}),
    "too much": json.dumps(GOOD | {"more": "x" * 200_000}),
    "deep": "[" * 50_000,
}


@pytest.mark.parametrize("content", WRONG.values(), ids=WRONG.keys())
def test_a_damaged_file_is_said_and_left_as_it_is(path, content):
    kept(path, content)
    settings = Settings(path)
    assert "it is damaged; delete it to begin afresh" in settings.fault
    assert str(path) in settings.fault
    settings.remember(CARD)
    assert path.read_text(encoding="utf-8") == content


def test_a_newer_file_is_said_and_left_as_it_is(path):
    content = json.dumps({"version": 2, "sources": {}})
    kept(path, content)
    settings = Settings(path)
    assert "newer version" in settings.fault
    settings.remember(CARD)
    assert path.read_text(encoding="utf-8") == content


def test_no_program_to_start_is_remembered_or_taken_from_the_file(path):
    settings = Settings(path)
    settings.remember(Choice(Opening("run:capture")))
    assert settings.recent == ()
    settings.remember(CARD)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace(CARD.opening.address, "run:capture"), encoding="utf-8")
    assert Settings(path).recent == ()
    assert Settings(path).fault == ""


def test_what_cannot_be_written_is_said_once_and_the_window_goes_on(tmp_path):
    (tmp_path / "file").touch()
    settings = Settings(tmp_path / "file" / "window.json")
    settings.remember(CARD)
    assert "cannot be written" in settings.fault
    settings.save()
    assert settings.recent == (CARD,)


def test_a_size_beyond_any_screen_is_held(path):
    kept(path, json.dumps(GOOD | {"size_px": [1, 10**9]}))
    assert Settings(path).size_px == (100, 20_000)


def test_a_window_says_at_once_what_it_cannot_remember(open_window, tmp_path):
    (tmp_path / "file").touch()
    settings = Settings(tmp_path / "file" / "window.json")
    window = open_window(FakeSession(view(0.1)), settings=settings)
    assert "cannot be written" not in window.top_bar.words
    window.looks.next_colours()
    QApplication.processEvents()
    assert f"“{tmp_path / 'file' / 'window.json'}” cannot be written" in window.top_bar.words
    assert settings.colours is Colours.LIGHT


def test_a_fault_is_said_in_the_language_that_is_spoken_by_then(qapp, path):
    path.parent.mkdir()
    path.write_text('{"version": 99}')
    path.chmod(0o600)
    settings = Settings(path)
    assert "from a newer version" in settings.fault
    german = Translation("de")
    qapp.installTranslator(german)
    try:
        assert "neueren Version" in settings.fault
        assert "newer" not in settings.fault
    finally:
        qapp.removeTranslator(german)


def test_the_hand_is_remembered_and_a_file_from_before_has_none(path):
    settings = Settings(path)
    settings.left_handed = True
    settings.save()
    assert Settings(path).left_handed
    tree = json.loads(path.read_text())
    del tree["left_handed"]
    path.write_text(json.dumps(tree))
    after = Settings(path)
    assert (after.left_handed, after.fault) == (False, "")


def test_motion_and_a_learned_key_are_remembered_and_a_file_from_before_has_none(path):
    settings = Settings(path)
    settings.reduced_motion, settings.going_on_key = True, 16777276
    settings.save()
    kept = Settings(path)
    assert (kept.reduced_motion, kept.going_on_key) == (True, 16777276)
    tree = json.loads(path.read_text())
    del tree["reduced_motion"], tree["going_on_key"]
    path.write_text(json.dumps(tree))
    after = Settings(path)
    assert (after.reduced_motion, after.going_on_key, after.fault) == (False, 0, "")
    path.write_text(json.dumps({**tree, "going_on_key": "F13"}))
    assert "damaged" in Settings(path).fault
