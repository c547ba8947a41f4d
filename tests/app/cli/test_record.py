import json
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from app.cli.record import record, write_simulation
from app.ends import ENDS
from instruments.address import open_address
from instruments.source import (
    AddressError,
    Block,
    Role,
    Source,
    SourceEnd,
    SourceInfo,
    SourceLost,
    SourceRequest,
    SourceTimeout,
    SourceUnavailable,
    parse_roles,
)
from tests.app.bench import RATE_HZ, SIM, write_capture

INFO = SourceInfo("tape:", (Role.DIFFERENTIAL,), "given", 8000.0, 4000.0, live=True)


def block(first_index, *, count=800):
    ramp = np.arange(first_index, first_index + count, dtype=np.float32)[:, None] / 1e5
    return Block(ramp, 8000.0, first_index, first_index / 8000.0)


class Tape(Source):
    """Plays blocks, exceptions and the results of functions."""

    info = INFO

    def __init__(self, *steps):
        self._steps = list(steps)
        self.is_open = False

    def open(self):
        self.is_open = True

    def read(self, timeout_s):
        assert self.is_open
        step = self._steps.pop(0) if self._steps else SourceEnd("tape: that was all")
        step = step() if callable(step) else step
        if isinstance(step, Exception):
            raise step
        return step

    def close(self):
        self.is_open = False


def recorded(source, out, seconds=None, overwrite=False, told=None):
    progress = (lambda *_: None) if told is None else lambda *both: told.append(both)
    return record(source, out, seconds, overwrite=overwrite, progress=progress)


def test_a_source_is_recorded_to_its_end(tmp_path):
    out, told = tmp_path / "out.wav", []
    tape = Tape(block(0), block(800))
    done = recorded(tape, out, told=told)
    samples, rate_hz = soundfile.read(out, dtype="float32")
    np.testing.assert_array_equal(samples, np.arange(1600, dtype=np.float32) / 1e5)
    assert (done.frames, done.seconds, done.lost_frames, done.fault) == (1600, 0.2, 0, None)
    assert rate_hz == 8000
    assert told == [(0.1, None), (0.2, None)]
    assert not tape.is_open


def test_the_seconds_asked_for_are_recorded_and_no_more(tmp_path):
    done = recorded(Tape(block(0), block(800), block(1600)), tmp_path / "out.wav", 0.15)
    assert done.frames == 1200
    assert soundfile.info(tmp_path / "out.wav").frames == 1200


@pytest.mark.parametrize("kind", ENDS)
def test_ctrl_c_and_a_request_to_end_keep_a_whole_file(tmp_path, kind):
    def interrupted_block():
        os.kill(os.getpid(), kind)
        return block(800)

    done = recorded(Tape(block(0), interrupted_block, block(1600)), tmp_path / "out.wav")
    assert done.frames == 1600
    assert soundfile.info(tmp_path / "out.wav").frames == 1600


@pytest.mark.skipif(os.name == "nt", reason="names are letters there")
def test_a_name_of_any_bytes_is_written_and_read(tmp_path):
    # POSIX.1-2024, 3.254: all but the slash and the null.
    out = tmp_path / os.fsdecode(b"a\xff\x80.wav")
    assert recorded(Tape(block(0)), out).frames == 800
    source = open_address(f"file:{out}", SourceRequest(paced=False))
    source.open()
    assert len(source.read(1.0).samples_v) == 800
    source.close()
    assert os.listdir(os.fsencode(tmp_path)) == [b"a\xff\x80.wav"]


def test_lost_frames_are_counted_and_stand_as_not_a_number(tmp_path):
    done = recorded(Tape(block(0), replace(block(1000), gap_before=True)), tmp_path / "out.wav")
    samples, _ = soundfile.read(tmp_path / "out.wav")
    assert done.lost_frames == 200
    assert np.flatnonzero(np.isnan(samples)).tolist() == list(range(800, 1000))


def test_a_short_silence_is_waited_out(tmp_path):
    tape = Tape(block(0), *[SourceTimeout("tape: wait")] * 5, block(800))
    assert recorded(tape, tmp_path / "out.wav").frames == 1600


def test_what_came_before_a_loss_is_kept(tmp_path):
    out = tmp_path / "out.wav"
    done = recorded(Tape(block(0), SourceLost("tape: it was pulled; plug it in")), out)
    assert str(done.fault) == (
        f"tape: it was pulled; plug it in; what came before that is kept in “{out}”"
    )
    assert soundfile.info(out).frames == 800


@pytest.mark.parametrize("fault", [SourceLost("tape: pulled"), SourceTimeout("tape: silent")])
def test_a_source_that_gives_nothing_leaves_no_file(tmp_path, fault):
    tape = Tape(*[fault] * 20)
    tape.silence_s = 0.0
    with pytest.raises(type(fault)):
        recorded(tape, tmp_path / "out.wav")
    assert list(tmp_path.iterdir()) == []
    assert not tape.is_open


def test_an_existing_file_is_kept_unless_it_may_go(tmp_path):
    out = tmp_path / "out.wav"
    out.write_text("mine")
    with pytest.raises(SourceUnavailable, match="there already"):
        recorded(Tape(block(0)), out)
    assert out.read_text() == "mine"
    assert recorded(Tape(block(0)), out, overwrite=True).frames == 800
    assert soundfile.info(out).frames == 800


@pytest.mark.parametrize("name", ["out.flac", "out", "no such folder/out.wav"])
def test_a_place_that_cannot_be_is_refused(tmp_path, name):
    tape = Tape(block(0))
    with pytest.raises(SourceUnavailable, match=name.rpartition("/")[2]):
        recorded(tape, tmp_path / name)
    assert not tape.is_open


def test_a_file_in_the_folder_s_place_is_refused(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(SourceUnavailable, match="folder"):
        recorded(Tape(block(0)), tmp_path / "file" / "out.wav")


def test_a_capture_is_not_recorded_onto_itself(tmp_path):
    path = tmp_path / "in.wav"
    write_capture(path, "differential")
    before = path.read_bytes()
    (tmp_path / "link.wav").symlink_to(path)
    for address, out in ((path, path), (f"file:{path}", tmp_path / "link.wav")):
        with pytest.raises(AddressError, match="is the capture itself"):
            recorded(open_address(str(address)), out, overwrite=True)
    assert path.read_bytes() == before


def test_a_capture_is_recorded_with_the_columns_named(tmp_path):
    path, out = tmp_path / "in.wav", tmp_path / "out.wav"
    made = write_capture(path, "index", "plus", "minus")
    source = open_address(str(path), SourceRequest(roles=parse_roles("-,plus,minus")))
    assert recorded(source, out).roles == (Role.PLUS, Role.MINUS)
    samples, rate_hz = soundfile.read(out, dtype="float32")
    np.testing.assert_array_equal(samples, made.columns("plus", "minus"))
    assert rate_hz == RATE_HZ


def simulated(address, out, seconds=1.0, roles=None, overwrite=False):
    return write_simulation(
        address, out, seconds, roles, overwrite=overwrite, progress=lambda *_: None
    )


def test_the_virtual_drive_is_written_with_its_truth_beside_it(tmp_path):
    out = tmp_path / "practice run.wav"
    done, beside = simulated(f"{SIM}&offset_um=-40", out)
    assert beside == tmp_path / "practice run.truth.json"
    truth = json.loads(beside.read_text(encoding="utf-8"))
    assert truth["virtual"] is True
    assert truth["offset_um"] == -40.0
    # b = x/S, r = (1 - |b|)/(1 + |b|)
    assert truth["balance"] == pytest.approx(-40 / 178, abs=1e-3)
    assert truth["ratio"] == pytest.approx((178 - 40) / (178 + 40), abs=1e-3)
    assert done.seconds == 1.0
    assert soundfile.info(out).frames == RATE_HZ
    assert soundfile.info(out).channels == 3


def test_a_simulation_can_be_had_again(tmp_path):
    for name in ("one.wav", "two.wav"):
        simulated(SIM, tmp_path / name, 0.2)
    assert (tmp_path / "one.wav").read_bytes() == (tmp_path / "two.wav").read_bytes()


def test_only_the_virtual_drive_is_simulated(tmp_path):
    write_capture(tmp_path / "in.wav", "differential")
    with pytest.raises(AddressError, match="only the virtual drive"):
        simulated(str(tmp_path / "in.wav"), tmp_path / "out.wav")


@pytest.mark.parametrize("out", [".", "/", ""])
def test_what_has_no_name_is_simulated_nowhere(out):
    with pytest.raises(SourceUnavailable, match=r"must end in \.wav"):
        write_simulation(SIM, Path(out), 0.1, None, overwrite=True, progress=lambda *_: None)


def test_a_truth_is_not_written_where_a_link_leads(tmp_path):
    (tmp_path / "out.truth.json").symlink_to(tmp_path / "elsewhere")
    _, beside = simulated(SIM, tmp_path / "out.wav", 0.1)
    assert not (tmp_path / "elsewhere").exists()
    assert json.loads(beside.read_text(encoding="utf-8"))["virtual"] is True


def test_an_existing_truth_is_kept_unless_it_may_go(tmp_path):
    out, beside = tmp_path / "out.wav", tmp_path / "out.truth.json"
    beside.write_text("mine")
    with pytest.raises(SourceUnavailable, match=r"out\.truth\.json"):
        simulated(SIM, out, 0.1)
    assert not out.exists()
    assert beside.read_text() == "mine"
    simulated(SIM, out, 0.1, overwrite=True)
    assert json.loads(beside.read_text())["virtual"]


def test_a_truth_that_cannot_be_written_is_told(tmp_path):
    (tmp_path / "out.truth.json").mkdir()
    long = "x" * (os.pathconf(tmp_path, "PC_NAME_MAX") - len(".wav"))
    for stem, why in (("out", "is no file"), (long, "too long")):
        with pytest.raises(SourceUnavailable, match=rf"{stem}\.truth\.json.*{why}; name another"):
            simulated(SIM, tmp_path / f"{stem}.wav", 0.1, overwrite=True)
        assert not (tmp_path / f"{stem}.wav").exists()
