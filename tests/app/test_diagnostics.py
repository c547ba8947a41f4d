"""The page for a report of a fault: what it tells, and what it leaves out."""

from pathlib import Path
from types import SimpleNamespace

import numpy
from PySide6.QtGui import QGuiApplication

from app.book.model import Drive
from app.book.store import Book, default_path
from app.cli.main import run
from app.dashboard.window import MainWindow
from app.diagnostics import diagnostics
from app.stamp import version
from tests.app.dashboard.fakes import FakeSession, view


def rows(text):
    return [tuple(line.split(None, 1)) for line in text.splitlines()]


def test_versions_and_folders_are_told(capsys, monkeypatch):
    found = SimpleNamespace(sources=[("sim:", "Virtual drive")], hints=["a library is missing"])
    monkeypatch.setattr("app.cli.main.attached_sources", lambda: found)
    assert run(["diagnostics"]) == 0
    told = rows(capsys.readouterr().out)
    assert ("evenlobe", version()) in told
    assert ("numpy", numpy.__version__) in told
    names = [name for name, _ in told]
    assert {"PySide6-Essentials", "PyVISA-py", "job", "profiles", "faults"} <= set(names)
    # What only the tests need is none of its business.
    assert "scipy" not in names
    assert ("source", "sim:  Virtual drive") in told
    assert ("hint", "a library is missing") in told


def test_nothing_of_a_drive_is_told(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert "(none)" in diagnostics()
    with Book(default_path()) as book:
        book.add_drive(Drive("the secret machine", "130mm-48tpi"))
    told = diagnostics()
    assert "secret" not in told
    assert f"({default_path().stat().st_size} bytes)" in told


def test_the_users_own_folder_is_not_named(monkeypatch, tmp_path):
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    told = diagnostics()
    assert "~/data/" in told
    assert str(tmp_path) + "/data" not in told


def test_the_window_copies_it(qtbot):
    window = MainWindow(FakeSession(lambda: view(0.1)))
    qtbot.addWidget(window)
    window.copy_diagnostics()
    assert ("source", "sim:offset_um=25  open") in rows(QGuiApplication.clipboard().text())
    assert "Copied" in window.top_bar.words


def test_a_place_that_cannot_be_looked_at_is_told(monkeypatch):
    def denied(path):
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(Path, "is_dir", denied)
    rows = [line for line in diagnostics().splitlines() if line.startswith("job book")]
    assert "(cannot be looked at: Permission denied)" in rows[0]
