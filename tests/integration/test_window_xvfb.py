"""The window on a real X display, driven by real key presses, its picture looked at."""

import math
import queue
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from PySide6.QtGui import QColor

from app.dashboard.style import LIGHT
from tests.integration.xdisplay import display

pytestmark = [pytest.mark.real_time, pytest.mark.xdist_group("window")]

ROOT = Path(__file__).parents[2]
WAIT_S = 60.0
HALF_SCALE_DEG = 50.0


@pytest.fixture(scope="module")
def screen(tmp_path_factory):
    with display(tmp_path_factory.mktemp("screen")) as shown:
        yield shown


class Dashboard:
    """The dashboard in a process of its own; `told` holds its session's calls."""

    def __init__(self, screen, *words):
        self.screen = screen
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.app.dashboard.scripted", *words, "full"],
            cwd=ROOT,
            env=screen.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.told = queue.Queue()
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()

    def _listen(self):
        for line in self.process.stdout:
            self.told.put(line.strip())

    def expect(self, *lines):
        for line in lines:
            assert self.told.get(timeout=WAIT_S) == line

    def shown(self):
        self.expect("shown")
        self.screen.focus("Evenlobe")

    def end(self):
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
        self.process.wait(WAIT_S)
        self._listener.join()
        with self.process.stdout, self.process.stderr as errors:
            return errors.read()


@pytest.fixture
def start(screen):
    begun = []

    def one(*words):
        begun.append(Dashboard(screen, *words))
        return begun[-1]

    yield one
    for dashboard in begun:
        errors = dashboard.end()
        assert dashboard.process.returncode == 0
        # A platform plug-in that cannot load, a Python fault and a Qt warning all end up here.
        assert errors == ""


def until(look):
    """Look again until there is something, and return it."""
    end_s = time.monotonic() + WAIT_S
    while not (seen := look()):
        assert time.monotonic() < end_s, "it did not come to be seen"
        time.sleep(0.05)
    return seen


def needle_places(picture):
    """Rows and columns of the pixels in the needle's colour, in the part where the dial is."""
    dial = picture[250:540, 20:1290].astype(int)
    rows, columns = np.nonzero(np.abs(dial - QColor(LIGHT.needle).getRgb()[:3]).max(axis=2) < 10)
    return rows, columns


def needle_deg(picture):
    """The needle's angle, clockwise from upright; None without one straight needle."""
    rows, columns = needle_places(picture)
    if len(rows) < 500:
        return None
    slope, start = np.polyfit(rows, columns, 1)
    if np.abs(columns - (slope * rows + start)).max() > 20:
        return None
    return math.degrees(math.atan(-slope))


def expected_deg(balance):
    """Where the dial's inverse hyperbolic sine puts a balance, on 50 degrees to either side."""
    return HALF_SCALE_DEG * math.asinh(balance / 0.1) / math.asinh(10)


def stands_at(screen, balance):
    def look():
        seen = needle_deg(screen.picture())
        return seen is not None and abs(seen - expected_deg(balance)) < 0.7

    return look


def test_needle_follows_real_keys(screen, start):
    dashboard = start("0.12")
    dashboard.expect("open sim: None")
    dashboard.shown()
    until(stands_at(screen, 0.12))
    screen.press("Left", "Left")
    dashboard.expect("nudge -5.0", "nudge -5.0")
    until(stands_at(screen, 0.12 - 10 / 178))
    screen.press("shift+Left")
    dashboard.expect("nudge -25.0")
    until(stands_at(screen, 0.12 - 35 / 178))
    screen.press("Next", "Prior", "F5")
    dashboard.expect("step 1", "step -1", "reseat")


def test_space_freezes_the_trace_and_lets_it_follow(screen, start):
    dashboard = start("0.12")
    dashboard.expect("open sim: None")
    dashboard.shown()
    until(stands_at(screen, 0.12))

    def title():
        return screen.picture()[762:790, 8:790].copy()

    following = title()
    assert len(np.unique(following)) > 5  # it says something
    screen.press("space")

    def words_came():
        changed = np.nonzero(np.any(title() != following, axis=2))[1]
        return changed.size and np.ptp(changed) > 100

    until(words_came)  # FROZEN, and how to go on
    screen.press("space")
    until(lambda: np.array_equal(title(), following))


def test_side_is_taught_at_the_keyboard(screen, start):
    dashboard = start("0.12", "unknown")
    dashboard.expect("open sim: None")
    dashboard.shown()

    def two_needles():
        rows, columns = needle_places(screen.picture())
        if len(rows) < 200:
            return False
        middle = columns.mean()
        left, right = columns[columns < middle], columns[columns > middle]
        mirrored = abs((middle - left.mean()) - (right.mean() - middle)) < 5
        return mirrored and abs(len(left) - len(right)) < 0.1 * len(rows)

    until(two_needles)
    screen.press("Return")
    dashboard.expect("begin_teaching")
    screen.press("Right")
    dashboard.expect("nudge 5.0")
    screen.press("Return")
    dashboard.expect("teach outward")
    until(stands_at(screen, 0.12 + 5 / 178))


def test_first_page_leads_to_the_sources_and_to_the_needle(screen, start):
    dashboard = start("0.12", "first")
    dashboard.shown()
    assert needle_deg(screen.picture()) is None
    screen.press("F2")
    dashboard.expect("listed")
    screen.press("Return")
    dashboard.expect("open sim: None")
    until(stands_at(screen, 0.12))
    screen.press("F1")
    until(lambda: needle_deg(screen.picture()) is None)
    screen.press("Escape")
    until(stands_at(screen, 0.12))
    screen.press("ctrl+q")
    dashboard.process.wait(WAIT_S)
    # What was open last is what Enter goes on with.
    again = start("0.12", "first")
    again.shown()
    screen.press("Return")
    again.expect("open sim: None")
    until(stands_at(screen, 0.12))


def test_virtual_drive_stands_across_the_dial_on_the_screen(screen, start):
    dashboard = start("0.9")
    dashboard.expect("open sim: None")
    dashboard.shown()
    until(stands_at(screen, 0.9))
    face = np.array(QColor(LIGHT.face).getRgb()[:3])
    inside = screen.picture()[400:500, 250:1060].astype(int)
    inked = np.abs(inside - face).max(axis=2) > 20
    columns = np.nonzero(inked.any(axis=0))[0]
    assert np.ptp(columns) > 600


def test_head_of_the_virtual_drive_is_brought_to_the_line(screen):
    """The program itself, from its command to even lobes, by keys alone."""
    program = subprocess.Popen(
        [sys.executable, "-m", "app", "sim:offset_um=25&rate=200000&carrier_hz=50000"],
        cwd=ROOT,
        env=screen.environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )

    def stands_between(low_deg, high_deg):
        seen = needle_deg(screen.picture())
        return seen is not None and low_deg < seen < high_deg

    try:
        screen.focus("Evenlobe")
        screen.press("F11")
        # 25 µm off a 178 µm scale is a balance of 0.14: a difference of 25 %.
        until(lambda: stands_between(expected_deg(0.12), expected_deg(0.16)))
        screen.press("shift+Left")
        until(lambda: stands_between(expected_deg(-0.02), expected_deg(0.02)))
    finally:
        program.send_signal(signal.SIGINT)
        _, errors = program.communicate(timeout=WAIT_S)
    assert program.returncode == 0
    assert errors == ""


def test_interrupt_closes_the_session(screen, start):
    dashboard = start("0.12")
    dashboard.expect("open sim: None")
    dashboard.shown()
    dashboard.process.send_signal(signal.SIGINT)
    dashboard.expect("close")
    assert dashboard.process.wait(WAIT_S) == 0
