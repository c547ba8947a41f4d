import json

import pytest

from app.blackbox import recorder
from app.cli import replay
from app.cli.main import run
from tests.app.blackbox.test_playing import boxed


@pytest.fixture
def box(tmp_path, monkeypatch):
    monkeypatch.setattr(replay, "boxes_folder", lambda: tmp_path / "boxes")
    monkeypatch.setattr(recorder, "boxes_folder", lambda: tmp_path / "boxes")
    boxed(tmp_path / "boxes", "sim:offset_um=20", "plus,minus,index")
    (path,) = (tmp_path / "boxes").iterdir()
    return path


def test_it_tells_what_was_open_and_what_the_samples_say_again(box, capsys):
    assert run(["replay", str(box)]) == 0
    told = capsys.readouterr().out
    assert "source    sim:offset_um=20  plus,minus,index  130mm-48tpi" in told
    assert "played again" in told
    assert "head outward" in told.splitlines()[-1]


def test_it_is_one_object_too(box, capsys):
    assert run(["replay", str(box), "--json"]) == 0
    tree = json.loads(capsys.readouterr().out)
    assert tree["schema"] == "evenlobe.replay/1"
    (stream,) = tree["streams"]
    assert stream["facts"]["source"] == "sim:offset_um=20"
    assert {each["valid"] for each in stream["played"]} == {True}
    assert stream["fault"] == ""


def test_those_that_are_kept_are_listed(box, capsys):
    assert run(["replay"]) == 0
    assert capsys.readouterr().out == f"{box}\n"
    box.unlink()
    assert run(["replay"]) == 0
    assert "no black box is kept" in capsys.readouterr().out


def test_what_is_none_is_refused_in_a_sentence(tmp_path, capsys):
    path = tmp_path / "a.blackbox"
    path.write_text("{}", encoding="utf-8")
    assert run(["replay", str(path)]) == 2
    assert capsys.readouterr().err.startswith(f"evenlobe: “{path}” is no black box")
