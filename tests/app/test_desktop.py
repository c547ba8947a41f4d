"""The entry and the icon on a desktop, by freedesktop.org's own validator and by Qt."""

import configparser
import os
import subprocess

import numpy as np
import pytest
from PySide6.QtGui import QIcon, QImage

from app import desktop
from app.cli.main import run
from tests.app.book.jobs import no_file_longer_than


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "of mine"))
    return tmp_path / "of mine"


def read(path):
    found = configparser.RawConfigParser(strict=True, delimiters=("=",))
    found.optionxform = str
    found.read(path, encoding="utf-8")
    return found["Desktop Entry"]


def test_it_is_added_and_taken_away(home, capsys):
    assert run(["desktop"]) == 0
    entry, icon = map(str.strip, capsys.readouterr().out.splitlines())
    assert entry.startswith(str(home))
    done = subprocess.run(["desktop-file-validate", entry], capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (0, "")
    assert read(entry)["Icon"] == icon
    assert run(["desktop"]) == 0
    assert run(["desktop", "--remove"]) == 0
    assert [path for path in home.rglob("*") if path.is_file()] == []
    assert run(["desktop", "--remove"]) == 0


@pytest.mark.parametrize("word", ["plain", "a b", 'a "b"', "cost $5", "back\\slash", "50 %", "`x`"])
def test_each_word_of_the_command_comes_back(tmp_path, word):
    entry = tmp_path / "evenlobe.desktop"
    entry.write_text(desktop.entry_text((word, "-m"), str(tmp_path / "x.svg")), encoding="utf-8")
    done = subprocess.run(["desktop-file-validate", entry], capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (0, "")
    # A value's own escapes go first, then the quotes, which are those of a shell.
    value = read(entry)["Exec"].replace("\\\\", "\\")
    shell = ["sh", "-c", f"printf '%s\\n' {value}"]
    found = subprocess.run(shell, capture_output=True, text=True, check=True).stdout.splitlines()
    assert [each.replace("%%", "%") for each in found] == [word, "-m", "%f"]


def test_a_folder_whose_name_is_not_utf_8_is_taken(tmp_path, monkeypatch, capsys):
    """Desktop Entry Specification 1.5: a file is UTF-8; a theme has icons by their names."""
    monkeypatch.setenv("XDG_DATA_HOME", os.fsdecode(bytes(tmp_path) + b"/d\xe4ta"))
    assert run(["desktop"]) == 0
    entry, icon = desktop.places()
    done = subprocess.run(["desktop-file-validate", entry], capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (0, "")
    assert (read(entry)["Icon"], icon.name) == ("evenlobe", "evenlobe.svg")
    assert icon.read_bytes() == desktop.ICON.read_bytes()


def test_a_program_where_no_entry_can_lead_is_a_sentence(home, monkeypatch, capsys):
    monkeypatch.setattr(desktop, "ROOT", home / "d\udce4ta")
    assert run(["desktop"]) == 2
    told = capsys.readouterr().err
    assert "is written in UTF-8" in told
    assert told.count("\n") == 1
    assert not home.exists()


def test_a_folder_that_takes_nothing_is_a_sentence(home, capsys):
    home.write_text("a file where the folder should be")
    assert run(["desktop"]) == 2
    assert "check the folder" in capsys.readouterr().err


def test_a_disk_that_is_full_keeps_the_entry_of_before(home, capsys):
    assert run(["desktop"]) == 0
    before = [path.read_bytes() for path in desktop.places()]
    capsys.readouterr()
    with no_file_longer_than(100):
        assert run(["desktop"]) == 2
    assert f"“{desktop.places()[1]}” cannot be written: File too large" in capsys.readouterr().err
    assert [path.read_bytes() for path in desktop.places()] == before
    assert len([path for path in home.rglob("*") if path.is_file()]) == 2


def test_the_icon_is_drawn_at_every_size(qapp):
    icon = QIcon(str(desktop.ICON))
    for size in (16, 32, 128):
        image = icon.pixmap(size, size).toImage().convertToFormat(QImage.Format.Format_ARGB32)
        pixels = np.frombuffer(image.constBits(), np.uint8).reshape(size, size, 4)
        assert (pixels[..., 3] > 0).mean() > 0.8
        # Bright lines on a dark ground: two lobes, left and right alike.
        bright = pixels[..., :3].max(axis=2) > 120
        left, right = bright[:, : size // 2].sum(), bright[:, size // 2 :].sum()
        assert left > 0.05 * size * size / 2
        assert left == pytest.approx(right, rel=0.25)
