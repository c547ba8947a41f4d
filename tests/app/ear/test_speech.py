"""The system's speech, in whose place a program writes down what it is to say."""

import sys
import time

from app.ear.speech import Speaker

WRITES = "import sys; open(sys.argv[1], 'a').write(sys.stdin.read() + '\\n')"
HANGS = (
    "import sys, time; sys.stdin.read(); open(sys.argv[1], 'a').write('begun\\n'); time.sleep(60)"
)


def until(true, seconds=20.0):
    end_s = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end_s
        time.sleep(0.01)


def test_a_sentence_is_spoken_once(tmp_path):
    said = tmp_path / "said"
    speaker = Speaker((sys.executable, "-c", WRITES, str(said)))
    assert speaker.can_speak
    for sentence in ("--help µm", "--help µm"):
        speaker.say(sentence)
    until(lambda: said.exists() and said.read_text())
    speaker.say("")
    speaker.say("--help µm")
    until(lambda: said.read_text().count("\n") == 2)
    assert said.read_text() == "--help µm\n--help µm\n"
    speaker.stop()


def test_a_new_sentence_ends_the_last(tmp_path):
    said = tmp_path / "said"
    speaker = Speaker((sys.executable, "-c", HANGS, str(said)))
    speaker.say("one")
    until(said.exists)
    first = speaker._speaking
    speaker.say("two")
    assert first is not None
    assert first.poll() is not None
    speaker.stop()


def test_a_program_that_has_gone_says_nothing():
    Speaker(("no-such-program-here",)).say("one")
