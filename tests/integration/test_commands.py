"""The commands as programs: what a shell, a pipe, a terminal and a signal see of them."""

import fcntl
import json
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from app.cli.main import run
from tests.app.bench import RATE_HZ, SIM, WAIT_S, write_capture
from tests.integration.soundserver import running_server
from tests.integration.xdisplay import display
from tests.synthesis import Signal, make

COMMAND = Path(sys.executable).with_name("evenlobe")
NEEDLE = re.compile(r"\[virtual drive\] .*█.* ratio 0\.\d+ ± ")


@pytest.fixture(scope="module")
def environment():
    """One without a display, and with nothing of Qt's that would stand in for it."""
    taken = ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM", "NO_COLOR")
    kept = {name: value for name, value in os.environ.items() if name not in taken}
    return kept | {"TERM": "xterm", "LC_ALL": "C.UTF-8"}


@pytest.fixture
def started(environment, tmp_path):
    """Starts the command and sees to it that it is gone at the end."""
    running = []

    def one(*words, **settings):
        pipe = subprocess.PIPE
        plain = {"stdin": subprocess.DEVNULL, "stdout": pipe, "stderr": pipe, "text": True}
        plain |= {"cwd": tmp_path, "env": environment}
        process = subprocess.Popen([COMMAND, *words], **(plain | settings))
        running.append(process)
        return process

    yield one
    for process in running:
        if process.poll() is None:
            process.kill()
        process.communicate()


@pytest.fixture
def finished(started):
    def one(*words, **settings):
        process = started(*words, **settings)
        out, errors = process.communicate(timeout=WAIT_S)
        return process.returncode, out, errors

    return one


def uncoloured(text):
    """What is written without its colours: SGR, ECMA-48, 8.3.117."""
    return re.sub(r"\x1b\[\d+m", "", text)


class Terminal:
    """A terminal of 80 columns: what the command writes to it, and keys for it."""

    def __init__(self, started, *words, first=lambda: None, **settings):
        self.master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))

        def take_terminal():
            first()
            os.setsid()
            fcntl.ioctl(slave, termios.TIOCSCTTY, 0)

        self.process = started(
            *words,
            stdin=slave,
            stdout=slave,
            stderr=slave,
            text=False,
            preexec_fn=take_terminal,
            **settings,
        )
        os.close(slave)
        self.text = ""

    def until(self, pattern):
        end_s = time.monotonic() + WAIT_S
        while not re.search(pattern, uncoloured(self.text)):
            assert time.monotonic() < end_s, self.text
            self._take()
        return self.text

    def _take(self):
        if select.select([self.master], [], [], 0.1)[0]:
            try:
                self.text += os.read(self.master, 65536).decode()
            except OSError:  # Linux says so where everybody else has closed the terminal
                return False
            return True
        return self.process.poll() is None

    def press(self, key):
        os.write(self.master, key)

    def end(self):
        """Wait for the end; return the status and all that was written."""
        end_s = time.monotonic() + WAIT_S
        while self._take():
            assert time.monotonic() < end_s, self.text
        os.close(self.master)
        return self.process.wait(WAIT_S), self.text


CTRL_C = b"\x03"


def test_one_object_alone_on_standard_output(finished):
    status, out, errors = finished("measure", "sim:", "--json")
    assert (status, errors) == (0, "")
    made = json.loads(out)
    assert out == json.dumps(made) + "\n"
    assert list(made)[:3] == ["schema", "source", "virtual"]
    assert (made["source"], made["virtual"], made["duration_s"]) == ("sim:", True, 3.0)


@pytest.mark.parametrize("codec", ["utf-8", "ascii"])
@pytest.mark.slow
def test_object_and_text_survive_an_output_that_holds_few_letters(
    finished, environment, tmp_path, codec
):
    name = "Prüfling 5 µm.wav"
    write_capture(tmp_path / name, "differential")
    narrow = environment | {"PYTHONIOENCODING": codec}
    status, out, errors = finished("measure", name, "--json", env=narrow)
    assert (status, errors) == (0, "")
    assert json.loads(out)["source"] == name
    status, out, errors = finished("measure", name, env=narrow)
    assert (status, errors) == (0, "")
    assert "\nratio " in out


@pytest.mark.slow
def test_a_name_that_is_no_text_is_no_fault_of_the_program(finished, tmp_path):
    name = os.fsdecode(b"caf\xe9.wav")
    write_capture(tmp_path / "plain.wav", "differential")
    (tmp_path / "plain.wav").rename(tmp_path / name)
    status, out, errors = finished("measure", name)
    assert status in (0, 2)
    assert "Traceback" not in errors
    assert ("ratio" in out) is (status == 0)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("measure", "nowhere.wav", "--json"), "nowhere.wav"),
        (("measure", "sim:", "--roles", "plus,plus"), "named twice"),
        (("measure", "sim:", "--seconds", "none"), "--seconds"),
        (("nowhere.wav",), "nowhere.wav"),
        (("measure", "sound:no such device"), "sound"),
    ],
)
@pytest.mark.few(1)
def test_bad_input_ends_with_2_and_one_line(finished, words, said):
    status, out, errors = finished(*words)
    assert status == 2
    assert "ratio" not in out
    lines = [line for line in errors.splitlines() if "no window" not in line]
    assert len(lines) == 1
    assert said in lines[0]


def test_no_reading_ends_with_3(finished):
    status, out, errors = finished("measure", "sim:snr_db=-40", "--json")
    assert (status, errors) == (3, "")
    assert json.loads(out)["valid"] is False


@pytest.mark.slow
def test_without_display_and_terminal_the_needle_is_told_for_ten_seconds(finished):
    begun_s = time.monotonic()
    status, out, errors = finished(SIM)
    assert status == 0
    assert time.monotonic() - begun_s > 10.0
    assert errors.splitlines() == [
        "evenlobe: no window (there is no display); the needle is shown as text"
    ]
    lines = out.splitlines()
    assert len(lines) > 10
    # Beside other work the last line may tell that samples are late; the status tells the reading.
    assert any(NEEDLE.match(line) for line in lines)


@pytest.mark.slow
def test_a_display_that_is_gone_is_told_and_the_needle_shown(started, environment):
    process = started(SIM, env=environment | {"DISPLAY": ":4093"})
    for line in process.stdout:
        if NEEDLE.match(line):
            break
    process.send_signal(signal.SIGTERM)
    _, errors = process.communicate(timeout=WAIT_S)
    assert process.returncode == 0
    assert "no window (no display answers at “:4093”)" in errors


def test_in_a_terminal_the_needle_moves_until_ctrl_c(started):
    terminal = Terminal(started)
    terminal.until(NEEDLE)
    terminal.press(CTRL_C)
    status, text = terminal.end()
    assert status == 0
    assert "no window (there is no display)" in text
    assert "\x1b[36m[virtual drive]\x1b[39m" in text
    text = uncoloured(text)
    frames = re.split(r"\r\x1b\[J", text.replace("^C", ""))[1:]  # as the terminal echoes it
    assert len(frames) > 5
    assert max(len(frame.split("\n")[0].rstrip()) for frame in frames) <= 80
    assert "Traceback" not in text


@pytest.mark.parametrize("kind", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.few(1)
def test_a_signal_ends_the_live_needle_with_the_status_of_its_reading(started, kind):
    process = started("measure", SIM, "--live")
    for line in process.stdout:
        if NEEDLE.match(line):
            break
    process.send_signal(kind)
    out, errors = process.communicate(timeout=WAIT_S)
    # Where others have the processor it may have parked meanwhile.
    needles = [line, *(each for each in out.splitlines() if each.startswith("[virtual drive]"))]
    status = 0 if NEEDLE.match(needles[-1]) else 3
    assert (process.returncode, errors) == (status, "")


def test_ctrl_c_breaks_a_measurement_off_quietly(started):
    # Long enough to be in the midst of it; on a terminal its progress says so.
    terminal = Terminal(started, "measure", "sim:", "--seconds", "100000")
    terminal.until("measuring … ")
    terminal.press(CTRL_C)
    status, text = terminal.end()
    assert status == 130
    assert "Traceback" not in text
    assert "ratio" not in text


def test_a_measurement_in_the_background_hears_an_interrupt_too(started):
    # What POSIX has a shell do to a job it starts with “&”: sh, 2.11 Signals and Error Handling.
    def ignore_interrupts():
        signal.signal(signal.SIGINT, signal.SIG_IGN)

    terminal = Terminal(started, "measure", "sim:", "--seconds", "100000", first=ignore_interrupts)
    terminal.until("measuring … ")
    terminal.process.send_signal(signal.SIGINT)
    status, text = terminal.end()
    assert (status, "Traceback" in text) == (130, False)


def test_a_reader_that_leaves_is_no_fault(started):
    process = started("measure", SIM, "--live")
    process.stdout.readline()
    process.stdout.close()
    assert process.wait(WAIT_S) == 0
    assert process.stderr.read() == ""


@pytest.mark.slow
def test_ctrl_c_ends_the_window(started, environment, tmp_path_factory):
    with display(tmp_path_factory.mktemp("screen")) as shown:
        names = {"DISPLAY": shown.environment["DISPLAY"]}
        process = started(env=environment | names)
        shown.focus("Evenlobe")
        shown.press("Escape")
        process.send_signal(signal.SIGINT)
        out, errors = process.communicate(timeout=WAIT_S)
    assert (process.returncode, out, errors) == (0, "", "")


@pytest.mark.parametrize("kind", [signal.SIGTERM, signal.SIGINT])
@pytest.mark.few(1)
def test_a_recording_that_is_ended_is_whole(started, tmp_path, kind):
    process = started("record", SIM, "out.wav")
    end_s = time.monotonic() + WAIT_S
    while not any(part.stat().st_size > 1 << 20 for part in tmp_path.glob("*.part")):
        assert time.monotonic() < end_s
        time.sleep(0.02)
    process.send_signal(kind)
    out, errors = process.communicate(timeout=WAIT_S)
    assert (process.returncode, errors) == (0, "")
    frames = int(re.match(r"out\.wav: (\d+) frames", out)[1])
    samples, rate_hz = soundfile.read(tmp_path / "out.wav")
    assert samples.shape == (frames, 3)
    assert rate_hz == RATE_HZ
    assert np.isfinite(samples).all()
    assert [path.name for path in tmp_path.iterdir()] == ["out.wav"]


def test_a_recording_killed_outright_leaves_no_half_file_under_its_name(started, tmp_path):
    process = started("record", SIM, "out.wav")
    end_s = time.monotonic() + WAIT_S
    while not list(tmp_path.glob("*.part")):
        assert time.monotonic() < end_s
        time.sleep(0.02)
    process.kill()
    process.wait(WAIT_S)
    assert not (tmp_path / "out.wav").exists()


def test_simulated_recorded_and_measured_say_the_same(finished, tmp_path, capsys):
    assert finished("simulate", "one.wav", "--source", SIM, "--seconds", "1.5")[0] == 0
    assert finished("record", "one.wav", "two.wav", "--roles", "plus,minus,index")[0] == 0
    truth = json.loads((tmp_path / "one.truth.json").read_text())
    # The program has measured in other tests; here its function does.
    made = []
    for name in ("one", "two"):
        assert run(["measure", str(tmp_path / f"{name}.wav"), "--json"]) == 0
        made.append(json.loads(capsys.readouterr().out))
    assert made[0]["ratio"] == made[1]["ratio"]
    assert [each["virtual"] for each in made] == [True, True]
    assert made[0]["ratio"]["value"] == pytest.approx(truth["ratio"], abs=0.002)
    assert made[0]["speed_rpm"]["value"] == pytest.approx(truth["speed_rpm"], rel=5e-4)


def test_help_and_version_need_no_display(finished):
    status, out, errors = finished("--help")
    assert (status, errors) == (0, "")
    assert "evenlobe measure capture.wav" in out
    assert finished("--version")[0] == 0


# -- a sound card --------------------------------------------------------------------------------

CARD_HZ = 192_000
CARD_ROLES = ("--roles", "differential,index")


@pytest.fixture(scope="module")
def card():
    """A sound server with one input, which carries what is played to the sink “bench”."""
    with running_server() as server:
        server.plug("bench", CARD_HZ)
        yield server


@pytest.fixture
def at_card(card, environment):
    taken = ("HOME", "XDG_RUNTIME_DIR", "PULSE_SERVER")
    wanted = {name: card.environment[name] for name in taken}
    return environment | wanted | {"PULSE_SOURCE": "bench.monitor"}


@pytest.mark.real_time
@pytest.mark.xdist_group("sound")
def test_a_card_on_which_nothing_plays_parks_with_the_likely_cause(finished, at_card):
    words = ("measure", "sound:", "--live", "--seconds", "3", *CARD_ROLES)
    status, out, errors = finished(*words, env=at_card)
    assert (status, errors) == (3, "")
    assert "no level at all: the input is muted, or nothing is connected" in out.splitlines()[-1]
    assert "ratio 0" not in out


@pytest.mark.real_time
@pytest.mark.xdist_group("sound")
def test_what_a_card_hears_is_measured_and_recorded(finished, started, card, at_card, tmp_path):
    levels = {"index_low_v": 0.0, "index_high_v": 0.5}
    made = make(Signal(rate_hz=CARD_HZ, carrier_hz=60e3, turns=10.0, snr_db=40.0, **levels))
    # Whole turns of whole cycles join without a seam.
    half_a_minute = np.tile(made.columns("differential", "index"), (15, 1))
    player = card.play("bench", half_a_minute, CARD_HZ)
    recording = started("record", "sound:", "heard.wav", *CARD_ROLES, env=at_card)
    status, out, errors = finished("measure", "sound:", "--json", *CARD_ROLES, env=at_card)
    recording.send_signal(signal.SIGINT)
    said, complaint = recording.communicate(timeout=WAIT_S)
    assert player.poll() is None
    assert (status, errors) == (0, "")
    live = json.loads(out)
    assert live["virtual"] is False
    assert live["ratio"]["value"] == pytest.approx(made.ratio, abs=0.005)
    assert live["sign_known"] is True
    assert (recording.returncode, complaint) == (0, "")
    assert said.startswith("heard.wav: ")
    kept = json.loads(finished("measure", "heard.wav", "--json")[1])
    assert kept["roles"] == ["differential", "index"]
    assert kept["ratio"]["value"] == pytest.approx(made.ratio, abs=0.005)
