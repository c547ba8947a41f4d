"""The system's speech, in whose place a program writes down what it is to say."""

import sys
import time

from app.ear.speech import Speaker, SpeechCommand

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
    speaker = Speaker(SpeechCommand((sys.executable, "-c", WRITES, str(said))))
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
    speaker = Speaker(SpeechCommand((sys.executable, "-c", HANGS, str(said))))
    speaker.say("one")
    until(said.exists)
    first = speaker._speaking
    speaker.say("two")
    assert first is not None
    assert first.poll() is not None
    speaker.stop()


def test_a_program_that_has_gone_says_nothing():
    Speaker(SpeechCommand(("no-such-program-here",))).say("one")


def test_what_is_spoken_is_known_and_silenced_where_it_outlives_its_program(tmp_path):
    said, silenced = tmp_path / "said", tmp_path / "silenced"
    silence = (sys.executable, "-c", WRITES, str(silenced))
    speaker = Speaker(SpeechCommand((sys.executable, "-c", HANGS, str(said)), silence))
    assert not speaker.is_speaking
    speaker.stop()
    assert not silenced.exists()
    speaker.say("one")
    until(said.exists)
    assert speaker.is_speaking
    speaker.stop()
    assert not speaker.is_speaking
    assert silenced.exists()


def test_a_sentence_that_has_been_spoken_is_over(tmp_path):
    speaker = Speaker(SpeechCommand((sys.executable, "-c", WRITES, str(tmp_path / "said"))))
    speaker.say("one")
    until(lambda: not speaker.is_speaking)
