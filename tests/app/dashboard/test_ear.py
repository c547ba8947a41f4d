"""The needle by ear, by its keys: on, off, louder, and what is said when it cannot be."""

from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest

from app.dashboard.ear import Ear
from app.dashboard.text import Face
from app.dashboard.window import MainWindow
from app.ear.speech import Speaker, SpeechCommand
from app.ear.tone import REFERENCE_HZ, tone_for
from app.ear.voice import OutputUnavailable
from tests.app.dashboard.fakes import FakeSession, reading, view

CONTROL = Qt.KeyboardModifier.ControlModifier
RATE_HZ = 48_000.0
BLOCK = 480


class Output:
    """Plays when it is asked to; notes the device that was measured."""

    name = "Headphones"

    def __init__(self, make_fill, measured):
        self.fill, self.measured, self.closed = make_fill(RATE_HZ), measured, False

    def close(self):
        self.closed = True


@pytest.fixture
def opened(qapp):
    """A window over a needle that stands at 0.2, and the outputs that it opened."""
    del qapp
    outputs = []

    def open_output(make_fill, measured):
        outputs.append(Output(make_fill, measured))
        return outputs[-1]

    session: Any = FakeSession(view(0.2, now_s=0.0))
    window = MainWindow(session, clock=lambda: 0.0, open_output=open_output)
    window.stop()
    window.show_needle()
    yield window, outputs, session
    window.close()


def test_the_tone_follows_the_needle_from_key_to_key(opened):
    window, outputs, session = opened
    window.tick()
    QTest.keyClick(window, Qt.Key.Key_T, CONTROL)
    (output,) = outputs
    assert output.measured == session.view().source
    assert "Headphones" in window.top_bar.words
    assert not output.fill(BLOCK).any()
    window.tick()
    assert output.fill(BLOCK).any()
    QTest.keyClick(window, Qt.Key.Key_T, CONTROL)
    assert output.closed
    assert not window.ear.is_on
    window.tick()


def test_a_window_that_closes_lets_nothing_be_heard_any_more(opened):
    window, outputs, _ = opened
    QTest.keyClick(window, Qt.Key.Key_T, CONTROL)
    window.close()
    assert [output.closed for output in outputs] == [True]


def test_the_level_goes_in_steps_and_ends_where_it_is_bearable(opened):
    window, outputs, _ = opened
    QTest.keyClick(window, Qt.Key.Key_T, CONTROL)
    peaks = []
    for key in [Qt.Key.Key_Up] * 3 + [Qt.Key.Key_Down] * 12:
        QTest.keyClick(window, key, CONTROL)
        window.tick()
        peaks.append(max(np.abs(outputs[0].fill(BLOCK)).max() for _ in range(60)))
    assert max(peaks) <= 10 ** (-3 / 20) + 1e-6
    assert peaks[0] > 1.5 * peaks[-1]
    assert peaks[-1] > 0.0


def test_no_output_is_said(qapp):
    said = []
    ear = Ear(None, said.append)
    ear.toggle("sim:")
    assert said == ["There is no sound output."]

    def refuse(make_fill, measured):
        raise OutputUnavailable("sound output “x”: it cannot be started")

    ear = Ear(refuse, said.append)
    ear.toggle("sim:")
    ear.show(Face(balance=0.1), 0.15, 0.0)
    assert not ear.is_on
    assert said[-1] == "sound output “x”: it cannot be started"


def test_a_fault_of_the_program_is_no_remark(qapp):
    said = []

    def broken(make_fill, measured):
        raise TypeError("of the program")

    ear = Ear(broken, said.append)
    with pytest.raises(TypeError):
        ear.toggle("sim:")
    assert said == []


def test_the_limit_that_is_heard_is_that_of_the_needle(opened):
    window, _, session = opened
    QTest.keyClick(window, Qt.Key.Key_T, CONTROL)
    # 15 % of difference is a balance of 0.15 / 1.85.
    for balance, steady in ((0.079, True), (0.085, False)):
        session.now = view(balance, now_s=0.0, reading=reading(balance, 0.0005))
        window.tick()
        tone = window.ear._voice.tone
        assert (tone.pulses_hz == 0.0) is steady
        assert tone.pitch_hz == tone_for(balance, 0.001, 0.15 / 1.85).pitch_hz > REFERENCE_HZ


class Noting(Speaker):
    """Notes what it is to say, and speaks for as long as a test wants."""

    def __init__(self):
        super().__init__(SpeechCommand(("none",)))
        self.said = []
        self.speaks = False

    @property
    def is_speaking(self):
        return self.speaks

    def say(self, sentence):
        self.said.append(sentence)

    def stop(self):
        self.said.append("(stop)")


def test_asks_are_read_aloud_only_while_that_is_wanted(qapp):
    speaker, said = Noting(), []
    ear = Ear(None, said.append, speaker)
    ear.read("Loosen the screws")
    ear.toggle_reading()
    ear.read("Turn the body")
    ear.toggle_reading()
    ear.read("Tighten the screws")
    assert speaker.said == ["Turn the body", "(stop)"]
