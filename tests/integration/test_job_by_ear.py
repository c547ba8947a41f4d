"""A whole job in the window by somebody who does not look: keys, and what is said of it.

The keys are real ones on an X display. What is known of the program is what it tells a screen
reader, on the bus of accessibility that a desktop has: no widget, no book and no pixel is looked
at before the job is closed. What only hands and eyes at a drive can do (screws, disks, what a
gauge shows) the virtual hand does, by its key; the head is moved, and the clamp opened, by keys.
"""

import contextlib
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from app.book.store import Book
from app.job.outcomes import open_failures
from tests.integration.screenreader import FOCUSED, SAID, screen_reader
from tests.integration.xdisplay import display

pytestmark = [pytest.mark.real_time, pytest.mark.slow, pytest.mark.xdist_group("window")]

ROOT = Path(__file__).parents[2]
JOB_WITHIN_S = 900.0
WAIT_S = 60.0
DRIVE = "hall 2, machine 7"
SOURCE = "sim:offset_um=-60&creep_um=6&seed=3"
STEP_UM, LARGE_STEPS = 5.0, 5
"""What an arrow nudges the head by; with Shift it is so many times as much."""
VIRTUAL_HAND = "shift+Return"
TOLD_OF_ROOM = {"°C": "23", "%": "50", "min": "30"}


class Technician:
    """Hears, and presses keys; knows nothing else."""

    def __init__(self, screen, reader):
        self._screen, self._reader = screen, reader
        self.heard = []

    def press(self, *keys):
        self.heard.append(("pressed", " ".join(keys)))
        self._screen.press(*keys)

    def listen(self, within_s):
        """What is told next, how and in words; None where it is silent for so long."""
        told = self._reader.next(within_s)
        if told is not None:
            self.heard.append(told)
        return told

    def until(self, kind, *wanted, within_s=WAIT_S):
        """Listen until one of some words is told; return the whole."""
        end_s = time.monotonic() + within_s
        while time.monotonic() < end_s:
            told = self.listen(1.0)
            if told is not None and told[0] == kind and any(each in told[1] for each in wanted):
                return told[1]
        pytest.fail(f"{wanted} was not told; heard last: {self.heard[-12:]}")

    def begin(self, plan):
        """Enter the first drive, and begin a job of a plan."""
        self.press("F12")
        self.until(SAID, "add the first below")
        self.until(FOCUSED, "New drive")
        while "What a new job is for" not in self._tab("Tab"):
            pass
        if plan != "Full":
            self.press(plan[0])
            self.until(FOCUSED, plan)
        while "New drive" not in self._tab("shift+Tab"):
            pass
        self._screen.type(DRIVE)
        self.press("Return")
        self.until(FOCUSED, DRIVE)
        self.press("Return")

    def _tab(self, key):
        self.press(key)
        return self.until(FOCUSED, "")

    def work(self):
        """Do what is asked, one after the other, until the job is closed; return what it was."""
        end_s = time.monotonic() + JOB_WITHIN_S
        while time.monotonic() < end_s:
            words = self.until(SAID, "Enter: ", "Type ", "The job is closed", within_s=WAIT_S)
            if "The job is closed" in words:
                return words
            self._do(words)
        return pytest.fail(f"the job did not end; heard last: {self.heard[-12:]}")

    def _do(self, asked):
        if "Enter: Measure" in asked or "Enter: Close the job" in asked:
            self.press("Return")
        elif (unit := re.search(r"Type it, and then Enter: (\S+)", asked)) is not None:
            self._screen.type(TOLD_OF_ROOM.get(unit[1], ""))
            self.press("Return")
        elif "Open the clamp" in asked:
            self.press("F5")
        elif re.search(r"[Ss]tep outward off track", asked):
            self._there_and_back("Prior", "Next")
        elif re.search(r"[Ss]tep inward off track", asked):
            self._there_and_back("Next", "Prior")
        elif "Still to go" in asked:
            self._nudge(asked)
        else:
            self.press(VIRTUAL_HAND)

    def _there_and_back(self, away, back):
        self.press(away)
        self.until(SAID, "The head is away")
        self.press(back)

    def _nudge(self, told):
        """Turn by keys until no step of theirs would lead nearer to where the head is to go."""
        while (steps := self._steps_to_go(told)) != 0:
            key = "Right" if steps > 0 else "Left"
            large, small = divmod(abs(steps), LARGE_STEPS)
            self.press(*[f"shift+{key}"] * large, *[key] * small)
            told = self.until(SAID, "Still to go")
        self.press("Return")

    def _steps_to_go(self, told):
        if "less than 0.1 µm" in told:
            return 0
        (um, side), *_ = re.findall(r"Still to go: ([0-9.]+) µm (\w+)", told)
        return round(float(um) / STEP_UM) * (1 if side == "outward" else -1)


@pytest.mark.timeout(JOB_WITHIN_S + 120.0)
@pytest.mark.parametrize(("plan", "managed"), [("Adjust only", True), ("Full", False)])
def test_a_whole_job_is_done_by_what_is_said_alone(tmp_path, plan, managed):
    book = tmp_path / "book.sqlite3"
    with contextlib.ExitStack() as stack:
        screen = stack.enter_context(display(tmp_path))
        reader = stack.enter_context(screen_reader(screen.environment))
        if managed:
            stack.enter_context(screen.managed())
        program = subprocess.Popen(
            [sys.executable, "-m", "app", SOURCE, "--book", str(book)],
            cwd=ROOT,
            env=reader.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        technician = Technician(screen, reader)
        try:
            screen.focus("Evenlobe")
            technician.begin(plan)
            closing = technician.work()
        finally:
            program.send_signal(signal.SIGINT)
            _, errors = program.communicate(timeout=WAIT_S)
    assert program.returncode == 0
    assert errors == ""
    with Book(book) as kept:
        record = kept.job(kept.numbers()[-1])
    assert record.closed_at
    assert record.closing_reason == ""
    # Brought from some 60 µm off to within what is asked for, and told as it is kept.
    found, left = record.as_found.offset_um, record.as_left.offset_um
    assert found is not None
    assert left is not None
    assert abs(found.value) > 40.0
    assert abs(left.value) < 10.0
    (told,) = re.findall(r"offset \S+ ± \S+ then (\S+) ± \S+ µm", closing)
    assert float(told.replace("−", "-")) == pytest.approx(left.value, abs=0.5)
    assert open_failures(record.outcomes) == ()
