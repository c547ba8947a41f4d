"""The system's speech itself: speech-dispatcher, whose voice writes down what it is to speak."""

import os
import shutil
import signal
import subprocess
import time
from contextlib import suppress
from pathlib import Path

import pytest

from app.dashboard.ear import Ear
from app.dashboard.job_panel.telling import pronounced
from app.ear.speech import Speaker
from app.job import messages

pytestmark = pytest.mark.real_time

WITHIN_S = 30.0
SERVER = """\
LogLevel 1
LogDir "{folder}"
CommunicationMethod "unix_socket"
SocketPath "{folder}/socket"
AudioOutputMethod "alsa"
AudioALSADevice "null"
AddModule "writing" "sd_generic" "{folder}/writing.conf"
DefaultModule writing
DefaultLanguage "en"
"""
WRITING = """\
GenericExecuteSynth "cd {folder}; printf '%s\\\\n' \\'$DATA\\' >> said; sleep {spoken_s}; touch end"
GenericLanguage "en" "en" "iso-8859-1"
AddVoice "en" "MALE1" "one"
DefaultVoice "one"
"""


def until(true):
    end_s = time.monotonic() + WITHIN_S
    while not true():
        assert time.monotonic() < end_s
        time.sleep(0.02)


@pytest.fixture
def server(tmp_path, monkeypatch):
    """Start a server of a test's own; returns how to read what it was given to speak."""
    if shutil.which("spd-say") is None or shutil.which("speech-dispatcher") is None:
        pytest.fail("speech-dispatcher is missing: apt install speech-dispatcher")
    monkeypatch.setenv("SPEECHD_ADDRESS", f"unix_socket:{tmp_path}/socket")
    monkeypatch.setenv("LC_ALL", "C.UTF-8")
    started = []

    def start(spoken_s=0):
        (tmp_path / "speechd.conf").write_text(SERVER.format(folder=tmp_path))
        (tmp_path / "writing.conf").write_text(WRITING.format(folder=tmp_path, spoken_s=spoken_s))
        command = ("speech-dispatcher", "--run-single", "-t", "0", "-C", str(tmp_path))
        nowhere = subprocess.DEVNULL
        pid_file = ("-P", str(tmp_path / "pid"))
        started.append(subprocess.Popen((*command, *pid_file), stdout=nowhere, stderr=nowhere))
        until((tmp_path / "socket").is_socket)
        said = tmp_path / "said"
        return lambda: said.read_text(encoding="latin-1").splitlines() if said.exists() else []

    yield start
    # The server waits for its voice, which may be asleep, and the voice outlives the server.
    for each in Path("/proc").glob("[0-9]*/cmdline"):
        with suppress(OSError):
            if str(tmp_path).encode() in each.read_bytes():
                os.kill(int(each.parent.name), signal.SIGKILL)
    for each in started:
        each.wait(WITHIN_S)


def test_what_is_asked_reaches_the_voice_word_by_word(server, qapp):
    said = server()
    ear = Ear(None, lambda _: None, Speaker())
    ear.toggle_reading()
    asked = [pronounced(str(each)) for each in (messages.MAINS, messages.WAS_IT_REFUSED)]
    for count, each in enumerate(asked, 1):
        ear.read(each)
        until(lambda count=count: len(said()) >= count)
        until(lambda: not ear._speaker.is_speaking)
    assert " ".join(said()).split() == " ".join(asked).split()


def test_signs_and_quotes_are_spoken_and_run_nothing(server, tmp_path):
    said = server()
    speaker = Speaker()
    sentence = f'Lösen: 21 %, don\'t "x"; touch {tmp_path}/ran $(touch {tmp_path}/ran)'
    speaker.say(sentence)
    until(lambda: said() and not speaker.is_speaking)
    assert said() == [sentence]
    assert not (tmp_path / "ran").exists()


def test_a_new_sentence_ends_the_last(server, tmp_path):
    said = server(spoken_s=20)
    speaker = Speaker()
    speaker.say("The first one")
    until(lambda: said() == ["The first one"])
    speaker.say("The second one")
    until(lambda: said()[1:] == ["The second one"])
    assert not (tmp_path / "end").exists()
    speaker.stop()
    assert not speaker.is_speaking
