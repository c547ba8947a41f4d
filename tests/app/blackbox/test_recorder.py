"""What is kept, when, for whom, and what a window leaves that was killed."""

import os
import signal
import stat
import subprocess
import sys
import time
from dataclasses import replace

import numpy as np
import pytest

from app import faults
from app.blackbox import recorder
from app.blackbox.file import ENDING, BoxFile, Event, read_box
from app.blackbox.pairs import Folding
from app.blackbox.recorder import BlackBox, Why
from app.live.view import Phase, View
from tests.app.bench import until
from tests.app.blackbox.boxes import block, heard, kept, news, running

PROFILE = heard().profile


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "own" / "blackbox"


def test_it_holds_what_came_and_what_was_shown(folder):
    with running(folder) as box:
        box.take(block(np.arange(30.0)), heard())
        box.note(View(phase=Phase.RUNNING, source="sound:"), PROFILE, time.monotonic())
        box.note(View(phase=Phase.RUNNING, source="sound:"), PROFILE, time.monotonic())
        found = read_box(kept(box))
    (stream,) = found.streams
    assert stream.facts["source"] == "sound:"
    assert stream.pieces[0].pairs_v[:, 0].tolist() == [0, 9, 10, 19, 20, 29]
    assert abs(stream.pieces[0].at_s - time.time()) < 60
    (event,) = found.events
    assert (event.kind, event.words) == ("state", "running")
    assert event.facts is not None
    assert event.facts["schema"] == "evenlobe.needle/1"
    assert found.about["why"] == "key"


def test_it_is_private_and_a_window_that_ends_leaves_only_what_was_asked_for(folder):
    with running(folder) as box:
        path = kept(box)
        assert {stat.S_IMODE(each.stat().st_mode) for each in folder.iterdir()} == {0o600}
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert list(folder.iterdir()) == [path]


def test_a_source_that_is_lost_has_it_kept_once_a_minute(folder):
    with running(folder) as box:
        for _ in range(2):
            for phase in (Phase.RUNNING, Phase.LOST):
                box.note(View(phase=phase), PROFILE, time.monotonic())
        assert news(box).why is Why.LOST
        box.keep(Why.KEY)
        assert news(box).why is Why.KEY


def test_a_source_that_could_never_be_opened_was_not_lost(folder):
    with running(folder) as box:
        for phase in (Phase.OPENING, Phase.FAILED):
            box.note(View(phase=phase), PROFILE, time.monotonic())
        box.keep(Why.KEY)
        assert news(box).why is Why.KEY


def test_what_runs_is_not_lost_by_another_that_cannot_be_opened(folder):
    with running(folder) as box:
        for phase, source in ((Phase.RUNNING, "sim:"), (Phase.FAILED, "file:none.wav")):
            box.note(View(phase=phase, source=source), PROFILE, time.monotonic())
        box.keep(Why.KEY)
        assert news(box).why is Why.KEY


def test_a_fault_of_the_program_has_it_kept(folder):
    with running(folder) as box:
        words = faults.words_for(ZeroDivisionError("of no lobe"))
        said = news(box)
        assert said.why is Why.FAULT
        assert [each.words for each in read_box(said.path).events] == [words]
    assert not faults.watchers


def test_of_a_reason_the_newest_five_stay(folder):
    with running(folder) as box:
        paths = [kept(box) for _ in range(6)]
        left = {path for path in folder.iterdir() if not path.name.startswith("running-")}
    assert len(left) == 5
    assert paths[-1] in left


def test_by_a_clock_that_was_put_back_the_newest_stays_all_the_same(folder):
    folder.mkdir(parents=True)
    for day in range(1, 6):
        (folder / f"2099010{day}-120000-000000-key{ENDING}").write_bytes(b"of a day to come")
    with running(folder) as box:
        path = kept(box)
        assert path.exists()
    assert len(list(folder.glob(f"*-key{ENDING}"))) == 5


def test_what_is_older_than_a_minute_goes(tmp_path):
    file = BoxFile(tmp_path / "running-a.blackbox")
    try:
        (piece,) = Folding().fold([block(np.zeros(10))])
        pieces = [(1, replace(piece, at_s=at_s)) for at_s in (1000.0, 1030.0)]
        pieces.append((2, replace(piece, at_s=1070.0)))
        streams = [(number, {"roles": ["differential"]}) for number in (1, 2)]
        events = [Event(at_s, "state", str(at_s)) for at_s in (1000.0, 1030.0, 1e9)]
        file.add(streams, pieces, events, 1070.0)
        file.copy(tmp_path / "a.blackbox")
        found = read_box(tmp_path / "a.blackbox")
        assert [each.at_s for each in found.events] == [1030.0]
        assert [len(each.pieces) for each in found.streams] == [1, 1]
        file.add([], [], [], 1100.0)
        file.copy(tmp_path / "a.blackbox")
        (left,) = read_box(tmp_path / "a.blackbox").streams
        assert [each.at_s for each in left.pieces] == [1070.0]
    finally:
        file.close()


def test_another_window_is_left_alone(folder):
    with running(folder) as box:
        kept(box)
        with running(folder) as other:
            other.keep(Why.KEY)
            assert news(other).why is Why.KEY
        assert kept(box).exists()


_WINDOW = """
import faulthandler, sys, time
from pathlib import Path
from app.blackbox.recorder import BlackBox, Why
from app.live.view import Phase, View
from app.profiles import load_profile
box = BlackBox(Path(sys.argv[1]))
box.note(View(phase=Phase.RUNNING), load_profile("130mm-48tpi"), time.monotonic())
box.keep(Why.KEY)
while box.said() is None:
    time.sleep(0.01)
print("kept", flush=True)
if sys.argv[2] == "crash":
    faulthandler._sigsegv()
time.sleep(60)
"""


@pytest.mark.parametrize(
    ("how", "words"),
    [("crash", "Segmentation fault"), ("kill", "the window ended without being closed")],
)
def test_what_a_crash_leaves_is_kept_by_the_next_start(folder, how, words):
    command = [sys.executable, "-c", _WINDOW, str(folder), how]
    window = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert window.stdout is not None
        assert window.stdout.readline() == "kept\n"
        if how == "kill":
            window.send_signal(signal.SIGKILL)
    finally:
        if how == "kill":
            window.kill()
        window.communicate()
    with running(folder) as box:
        said = news(box)
        assert said.why is Why.CRASH
        events = read_box(said.path).events
    assert [each.kind for each in events] == ["state", "crash"]
    assert words in events[-1].words
    with running(folder) as box:
        assert kept(box)
        assert box.said() is None


def test_what_is_left_and_cannot_be_read_goes(folder):
    folder.mkdir(parents=True)
    (folder / "running-a.blackbox").write_bytes(b"no database at all" * 100)
    with running(folder) as box:
        kept(box)
        assert not (folder / "running-a.blackbox").exists()


def test_where_nothing_can_be_written_it_is_said_and_nothing_waits(folder):
    folder.parent.mkdir()
    folder.write_text("in the way", encoding="utf-8")
    with running(folder) as box:
        said = news(box)
        assert str(folder) in said.fault
        assert said.path is None
        until(lambda: not box._thread.is_alive(), "the end of its thread")
        box.take(block(np.zeros(10)), heard())
        assert not box._blocks


def test_samples_that_nobody_folds_are_bounded(folder, monkeypatch):
    monkeypatch.setattr(recorder, "_MOST_BYTES", 100)
    monkeypatch.setattr(BlackBox, "_work", lambda self: None)
    box = BlackBox(folder)
    for number in range(10):
        box.take(block(np.zeros(10), 10 * number), heard())
    assert sum(each.samples_v.nbytes for each, _ in box._blocks) <= 140
    box.end()
    assert os.path.exists(folder) is False
