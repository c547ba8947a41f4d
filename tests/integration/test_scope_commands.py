"""The commands for scopes and pipes: as programs where streams and signals are what is tested."""

import contextlib
import gc
import json
import re
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from app.cli import main
from instruments.virtual.scope import ScopeServer
from tests.app.bench import WAIT_S
from tests.instruments.scope.faultcase import MODELS, new_scope

COMMAND = Path(sys.executable).with_name("evenlobe")
FAST = "pace=fast&carrier_hz=40000"


def evenlobe(*words, **settings):
    return subprocess.run(
        [COMMAND, *words], capture_output=True, timeout=WAIT_S, check=False, **settings
    )


@pytest.fixture
def run(capsys):
    """Runs a command in this process; returns its status and what it wrote."""

    def one(*words):
        status = main.run([str(word) for word in words])
        return status, *capsys.readouterr()

    return one


@contextlib.contextmanager
def virtual_scope(*words):
    with subprocess.Popen(
        [COMMAND, "virtual-scope", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        try:
            yield process, process.stdout.readline().strip()
        finally:
            process.kill()


@pytest.mark.parametrize("ending", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.few(1)
def test_the_virtual_scope_prints_an_address_that_can_be_measured(ending):
    options = f"offset_um=14.43&clamp_um=0&oval_um=0&{FAST}"
    with virtual_scope("--family", "C2", "--options", options) as (process, address):
        assert re.fullmatch(r"visa:TCPIP::127\.0\.0\.1::\d+::SOCKET", address)
        done = evenlobe("measure", address, "--json")
        assert (done.returncode, done.stderr) == (0, b"")
        made = json.loads(done.stdout)
        assert made["virtual"]
        # x = 14.43 µm of S = 178 µm is a ratio of 0.85.
        assert made["ratio"]["value"] == pytest.approx(0.85, abs=0.01)
        assert any("VIRTUAL-C2" in note for note in made["notes"])
        assert any("acquisition peak detect" in note for note in made["notes"])
        process.send_signal(ending)
        out, errors = process.communicate(timeout=WAIT_S)
    assert (process.returncode, out, errors) == (0, "", "")


@pytest.mark.parametrize("transport", ["vxi11", "hislip"])
@pytest.mark.slow
def test_the_virtual_scope_is_reached_by_visa_too(run, transport):
    with virtual_scope("--transport", transport, "--options", FAST) as (_, address):
        assert run("measure", address)[0] == 0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--family", "Z"), "family “Z” is not known; use A1"),
        (("--transport", "radio"), "transport “radio” is not known; use socket"),
        (("--options", "offset_um"), "NAME=VALUE"),
        (("--options", "colour=1"), "“colour” is not an option"),
        (("--options", "seed=x"), "seed is “x”"),
        (("--port", "some"), "“some” is not a whole number"),
    ],
)
def test_a_virtual_scope_that_cannot_be_is_one_line(words, said, capsys):
    assert main.run(["virtual-scope", *words]) == 2
    out, errors = capsys.readouterr()
    assert out == ""
    assert said in errors
    assert errors.count("\n") == 1


@pytest.mark.parametrize("port", ["70000", "-1"])
def test_a_port_that_there_is_not_is_one_line(port, capsys):
    # A socket that is left over is a warning, and so an error.
    assert main.run(["virtual-scope", "--port", port]) == 2
    gc.collect()
    out, errors = capsys.readouterr()
    assert out == ""
    assert f"port {port} cannot be had; write 0 to 65535" in errors
    assert errors.count("\n") == 1


@pytest.fixture
def served():
    scope = new_scope("A2", carrier_hz=20e3)
    with ScopeServer(scope, "socket", port=0) as server:
        yield scope, f"visa:{server.address}"
    scope.close()


def test_check_scope_shows_what_is_sent_and_says_what_fits(served, run):
    scope, address = served
    status, out, errors = run("check-scope", address)
    assert (status, errors) == (0, "")
    assert "  > *IDN?" in out
    assert "families that match: A2" in out
    assert out.endswith("Everything fits.\n")
    scope.inject("refuse", count=1000)
    status, out, errors = run("check-scope", address)
    assert (status, errors) == (3, "")
    assert "does not fit:" in out


@pytest.mark.parametrize(
    "address", ["visa:TCPIP::127.0.0.1::1::SOCKET", "visa:nowhere", "sim:", "visa:USB0"]
)
def test_check_scope_where_nobody_is(address, capsys):
    assert main.run(["check-scope", address]) == 2
    errors = capsys.readouterr().err
    assert errors.count("\n") == 1
    assert address.removeprefix("visa:") in errors


@pytest.mark.slow
def test_a_scope_s_deep_memory_is_recorded_and_reads_right(served, tmp_path, run):
    scope, address = served
    out = tmp_path / "deep.wav"
    done = evenlobe("record", address, out, text=True)
    assert (done.returncode, done.stderr) == (0, "")
    written = soundfile.info(out)
    assert written.samplerate > 150_000
    assert written.channels == 2
    made = json.loads(run("measure", out, "--json")[1])
    assert made["virtual"]
    assert made["roles"] == ["differential", "index"]
    assert made["ratio"]["value"] == pytest.approx(scope.truth().ratio, abs=0.01)
    assert made["carrier_hz"]["value"] == pytest.approx(20e3, rel=0.01)


def test_a_scope_s_record_has_a_length_and_a_place_of_its_own(served, tmp_path, run):
    _, address = served
    status, _, errors = run("record", address, tmp_path / "x.wav", "--seconds", "2")
    assert status == 2
    assert "leave --seconds out" in errors
    status, _, errors = run("record", address, tmp_path / "x.flac")
    assert status == 2
    assert ".wav" in errors
    assert list(tmp_path.iterdir()) == []


def test_a_family_without_a_deep_memory_says_so(tmp_path, run):
    scope = new_scope(MODELS["E"])
    with ScopeServer(scope, "socket", port=0) as server:
        status, _, errors = run("record", f"visa:{server.address}", tmp_path / "x.wav")
    scope.close()
    assert status == 2
    assert "save a capture with the scope itself" in errors
    assert list(tmp_path.iterdir()) == []


# -- pipes ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def capture(tmp_path_factory):
    path = tmp_path_factory.mktemp("captures") / "drive.wav"
    options = "sim:offset_um=14.43&clamp_um=0&rate=400000&carrier_hz=62500"
    assert main.run(["simulate", str(path), "--source", options, "--seconds", "1"]) == 0
    return path


@pytest.mark.few(1)
@pytest.mark.parametrize("dtype", ["float32", "int16"])
def test_raw_frames_from_a_program_read_as_the_capture_does(capture, dtype, run):
    samples, rate = soundfile.read(capture, dtype="float32", always_2d=True)
    if dtype == "int16":
        data = np.round(samples / np.abs(samples).max() * 32000).astype("<i2").tobytes()
    else:
        data = samples.astype("<f4").tobytes()
    address = f"pipe:?rate={rate}&dtype={dtype}&channels={samples.shape[1]}"
    words = ("measure", address, "--json", "--seconds", "5", "--roles", "plus,minus,index")
    done = evenlobe(*words, input=data)
    assert (done.returncode, done.stderr) == (0, b"")
    piped = json.loads(done.stdout)
    kept = json.loads(run("measure", capture, "--json")[1])
    assert piped["ratio"]["value"] == pytest.approx(kept["ratio"]["value"], abs=0.001)
    assert piped["duration_s"] == pytest.approx(1.0)
    assert not piped["virtual"]


def test_a_torn_frame_is_one_line_and_no_number():
    address = "pipe:?rate=100000&dtype=float32&channels=2"
    done = evenlobe("measure", address, "--json", input=bytes(8 * 1000 + 5))
    assert (done.returncode, done.stdout) == (2, b"")
    assert "torn: 5 of its 8 bytes" in done.stderr.decode()


def test_nothing_piped_in_is_one_line():
    done = evenlobe("measure", "pipe:?rate=100000&dtype=int16&channels=1", stdin=subprocess.DEVNULL)
    assert (done.returncode, done.stdout) == (2, b"")
    assert "ended without a frame" in done.stderr.decode()


def test_a_pipe_is_recorded(capture, tmp_path):
    samples, rate = soundfile.read(capture, dtype="float32", always_2d=True)
    address = f"pipe:?rate={rate}&dtype=float32&channels={samples.shape[1]}"
    out = tmp_path / "kept.wav"
    done = evenlobe("record", address, out, input=samples.tobytes())
    assert (done.returncode, done.stderr) == (0, b"")
    assert np.array_equal(soundfile.read(out, dtype="float32")[0], samples[:, :3])
