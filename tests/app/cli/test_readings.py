"""Readings as they come: an object or a row for each new one, nothing twice, nothing lost."""

import csv
import io
import json
from datetime import UTC, datetime, timedelta

import pytest

from app.analysis.results import Quantity
from app.cli.main import run
from app.cli.measure import run_meter
from app.cli.output import OutputFault
from app.cli.readings import COLUMNS, logged
from app.live.view import Phase, View
from tests.app.dashboard.fakes import ending, parked, reading, view


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr("app.cli.measure.SHORTEST_PAUSE_S", 0.001)


def shown_as_objects(*views, log=None):
    out = io.StringIO()
    run_meter(ending(*views), out, None, clock=lambda: 10.0, as_objects=True, log=log)
    return [json.loads(line) for line in out.getvalue().splitlines()]


def test_each_new_reading_is_one_object():
    first, second = view(0.1, reading_at_s=9.0), view(0.2, reading_at_s=9.1)
    ended = view(0.2, reading_at_s=9.1, phase=Phase.ENDED)
    told = shown_as_objects(View(phase=Phase.OPENING), first, first, second, ended)
    assert [each["phase"] for each in told] == ["opening", "running", "running", "ended"]
    assert told[0]["reading"] is None
    assert told[1]["reading"]["balance"]["value"] == 0.1
    assert told[1]["reading"]["valid"]
    assert told[1]["schema"] == "evenlobe.needle/1"
    assert told[1]["virtual"]
    taken = [datetime.fromisoformat(each["at"]) for each in told[1:3]]
    assert timedelta(0) < taken[1] - taken[0] < timedelta(seconds=5)
    assert abs(datetime.now(UTC) - timedelta(seconds=1) - taken[0]) < timedelta(seconds=60)


def test_a_parked_needle_is_an_object_without_a_number():
    shown = view(0.1, reading=parked("no carrier"), moving=Quantity(0.3, 0.1), phase=Phase.ENDED)
    (told,) = shown_as_objects(shown)
    assert told["reading"]["reasons"] == ["no carrier"]
    assert told["reading"]["balance"] is None
    assert told["moving"] == {"value": 0.3, "u": 0.1}


def test_a_log_is_a_row_a_reading(tmp_path):
    path = tmp_path / "strip.csv"
    even = view(0.0, reading=reading(0.0, side=None), reading_at_s=9.2)
    away = view(0.1, reading=parked("no carrier"), reading_at_s=9.3, phase=Phase.ENDED)
    with logged(path) as log:
        shown_as_objects(view(0.1, reading_at_s=9.0), even, away, log=log)
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == list(COLUMNS)
    assert [row["valid"] for row in rows] == ["True", "True", "False"]
    assert [row["balance"] for row in rows] == ["0.1", "0.0", ""]
    assert [row["reason"] for row in rows] == ["", "", "no carrier"]
    assert [row["proviso"] for row in rows] == ["uncalibrated", "uncalibrated", ""]


def test_no_file_that_is_there_becomes_a_log(tmp_path):
    path = tmp_path / "strip.csv"
    path.write_text("mine")
    with pytest.raises(OutputFault, match=r"is there already; name a new file"), logged(path):
        pass
    assert path.read_text() == "mine"
    with pytest.raises(OutputFault, match=r"cannot be written"), logged(tmp_path / "no" / "x.csv"):
        pass


def test_a_log_without_a_live_needle_is_refused(capsys):
    assert run(["measure", "sim:", "--log", "x.csv"]) == 2
    assert "add --live" in capsys.readouterr().err


def test_the_virtual_drive_is_read_as_objects(tmp_path, capsys):
    path = tmp_path / "strip.csv"
    run(["measure", "sim:", "--live", "--json", "--seconds", "0.5", "--log", str(path)])
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert {each["source"] for each in told} == {"sim:"}
    assert len(path.read_text(encoding="utf-8").splitlines()) == len(told) + 1
