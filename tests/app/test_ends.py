"""A request to end, and the terminal's closing, leave nothing behind."""

import os
import shlex
import signal
import subprocess
import sys
import time

import pytest

from app import ends
from app.ends import ENDS, end, end_held_off, heard

PROGRAM = """
import os, sys, time
sys.stdout.buffer.write(bytes(400_000))
sys.stdout.flush()
with open("pid.part", "w") as file:
    file.write(str(os.getpid()))
os.rename("pid.part", "pid")
time.sleep(600)
"""


def test_what_is_to_be_ignored_stays_ignored():
    # What nohup has a program do: POSIX.1-2024, nohup, Description.
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        told = []
        with heard(told.append):
            signal.raise_signal(signal.SIGHUP)
            signal.raise_signal(signal.SIGTERM)
        assert told == [signal.SIGTERM]
        assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)


@pytest.mark.parametrize(
    ("kind", "raised"), [(signal.SIGINT, KeyboardInterrupt), (signal.SIGTERM, SystemExit)]
)
def test_what_is_put_away_is_so_before_the_program_ends(monkeypatch, kind, raised):
    monkeypatch.setattr(ends, "_ending", None)
    done = []

    def put_away():
        with heard(end), end_held_off():
            signal.raise_signal(kind)
            done.append("put away")

    with pytest.raises(raised):
        put_away()
    assert done == ["put away"]
    # It was told once: nothing else is held up, or ends, by it.
    with heard(end), end_held_off():
        done.append("more")
    with pytest.raises(raised), heard(end):
        signal.raise_signal(kind)


def test_who_asks_twice_is_heard_at_once(monkeypatch):
    monkeypatch.setattr(ends, "_ending", None)
    done = []

    def put_away():
        with heard(end), end_held_off():
            for kind in (signal.SIGTERM, signal.SIGINT):
                done.append(kind)
                signal.raise_signal(kind)
            done.append("put away")

    with pytest.raises(KeyboardInterrupt):
        put_away()
    assert done == [signal.SIGTERM, signal.SIGINT]


@pytest.mark.few(1)
@pytest.mark.parametrize("kind", ENDS[1:])
def test_a_measurement_that_is_ended_ends_the_program_that_it_started(tmp_path, kind):
    (tmp_path / "program.py").write_text(PROGRAM)
    command = shlex.join([sys.executable, str(tmp_path / "program.py")])
    address = f"run:{command}?rate=1000000&dtype=int16&channels=2"
    with subprocess.Popen(
        [sys.executable, "-m", "app", "measure", address, "--seconds", "500"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(map(str, sys.path))},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        until_s = time.monotonic() + 60.0
        while not (tmp_path / "pid").exists() and time.monotonic() < until_s:
            time.sleep(0.02)
        started = int((tmp_path / "pid").read_text())
        process.send_signal(kind)
        out, errors = process.communicate(timeout=60)
    # As a shell has it: POSIX.1-2024, sh, 2.8.2 Exit Status for Commands.
    assert (process.returncode, out, errors) == (128 + kind, "", "")
    with pytest.raises(ProcessLookupError):
        os.kill(started, 0)
