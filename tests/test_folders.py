"""Where the user's own files are, by what platformdirs says of each system."""

from __future__ import annotations

from pathlib import Path

import pytest
from platformdirs import macos, unix, windows

from app.blackbox.recorder import boxes_folder
from app.book.store import default_path
from app.dashboard.settings import settings_path
from app.faults import faults_folder
from app.profiles.files import user_profile_folder
from instruments.kept import proof_path
from instruments.scope.shelf import user_family_folder

PLACES = {
    boxes_folder: ("data", "blackbox"),
    default_path: ("data", "book.sqlite3"),
    faults_folder: ("data", "faults"),
    lambda: proof_path("Line (in) 1"): ("data", "inputs/Line-in-1.toml"),
    settings_path: ("config", "window.json"),
    user_family_folder: ("config", "scopes"),
    user_profile_folder: ("config", "profiles"),
}


@pytest.mark.parametrize("system", [unix.Unix, macos.MacOS, windows.Windows])
def test_each_lies_in_one_folder_of_the_programs_name(tmp_path, monkeypatch, system):
    for variable in ("XDG_DATA_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setattr(windows, "get_win_folder", lambda _: str(tmp_path / "Local"))
    monkeypatch.setattr("platformdirs.PlatformDirs", system)
    folders = {
        unix.Unix: {"data": ".local/share", "config": ".config"},
        macos.MacOS: dict.fromkeys(("data", "config"), "Library/Application Support"),
        windows.Windows: dict.fromkeys(("data", "config"), "Local"),
    }[system]
    for place, (kind, name) in PLACES.items():
        assert place() == Path(tmp_path, folders[kind], "evenlobe", name)
