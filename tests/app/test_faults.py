from pathlib import Path

import pytest

from app import faults
from app.faults import faults_folder, words_for


def broken(words):
    try:
        raise LookupError(words)
    except LookupError as fault:
        return fault


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch):
    monkeypatch.setattr(faults, "faults_folder", lambda: tmp_path / "kept" / "faults")
    monkeypatch.setattr(faults, "_kept", {})
    return tmp_path / "kept" / "faults"


def test_a_fault_is_told_in_one_line_that_names_its_file(folder):
    words = words_for(broken("no such\n  lobe"))
    (path,) = folder.iterdir()
    assert words == (
        f"LookupError: no such lobe; its traceback is in {path}: send that with a report"
    )
    text = path.read_text(encoding="utf-8")
    assert text.startswith("Evenlobe ")
    assert "Python" in text
    assert "raise LookupError(words)" in text


def test_the_same_fault_is_kept_once_and_another_beside_it(folder):
    first, again = words_for(broken("a")), words_for(broken("b"))
    assert first.split("traceback")[1] == again.split("traceback")[1]
    words_for(ValueError("never raised"))
    assert len(list(folder.iterdir())) == 2


def test_no_more_than_so_many_are_kept(folder, monkeypatch):
    monkeypatch.setattr(faults, "_MOST", 1)
    words_for(broken("a"))
    assert words_for(ValueError("one too many")) == "ValueError: one too many"
    assert len(list(folder.iterdir())) == 1


def test_where_the_folder_cannot_be_made_another_is_found(folder, tmp_path, monkeypatch):
    (tmp_path / "kept").write_text("in the way", encoding="utf-8")
    monkeypatch.setattr(faults.tempfile, "gettempdir", lambda: str(tmp_path))
    assert str(tmp_path / "evenlobe-fault-") in words_for(broken("a"))


def test_where_nothing_can_be_written_the_fault_is_told_all_the_same(tmp_path, monkeypatch):
    (tmp_path / "kept").write_text("in the way", encoding="utf-8")
    monkeypatch.setattr(faults.tempfile, "gettempdir", lambda: str(tmp_path / "kept"))
    assert words_for(broken("a")) == "LookupError: a"


def test_they_are_kept_beside_the_book(monkeypatch):
    monkeypatch.undo()
    assert faults_folder().parts[-2:] == ("evenlobe", "faults")
    assert isinstance(faults_folder(), Path)
