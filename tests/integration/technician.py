"""A technician who does a whole job in the window, by keys or with a pointer.

What is known of the program is what it tells on the bus of accessibility that a desktop has; keys
and pointer are real ones on an X display. What only hands and eyes at a drive can do (screws,
disks, what a gauge shows) the virtual hand does; the head is moved, and the clamp opened, by the
technician.
"""

import contextlib
import itertools
import re
import time

import pytest

from app.book.store import Book
from app.job.outcomes import open_failures
from tests.integration.pointing import Eyes
from tests.integration.screenreader import FOCUSED, SAID, screen_reader
from tests.integration.xdisplay import display, program

JOB_WITHIN_S = 900.0
WAIT_S = 60.0
STILL_S, SETTLES_S = 1.5, 15.0
NOTICED_S = 8.0
"""A nudge that is noticed is asked about, or measured, within so long."""
UNSEEN_S, MOST_UNSEEN = 40.0, 3
"""Who has opened the clamp, or stepped away and back, and hears nothing for so long, says that it
is done. A computer that is busy for a second loses samples, and a short absence with them; so often
that may be in a whole job."""
ASKS = ("Enter: ", "Type ", "The job is closed")
DRIVE = "hall 2, machine 7"
SOURCE = "sim:offset_um=-60&creep_um=6&seed=3&rate=400000&carrier_hz=62500"
"""Of a drive that a slow computer keeps up with beside a display and a bus of its own."""
STEP_UM, LARGE_STEPS = 5.0, 5
"""What a step of the head is, and how many are one large one."""
TOLD_OF_ROOM = {"°C": "23", "%": "50", "min": "30"}


class Technician:
    """Hears what is told, and does what is asked; how it is done the hands say."""

    def __init__(self, screen, reader):
        self.screen, self._reader = screen, reader
        self.heard = []
        self._has_left = False
        self.unseen = 0

    def listen(self, within_s):
        """What is told next, how and in words; None where it is silent for so long."""
        told = self._reader.next(within_s)
        if told is not None:
            self.heard.append(told)
        return told

    def until(self, kind, *wanted, within_s=WAIT_S):
        """Listen until one of some words is told; return the whole."""
        told = self._wait_for(kind, wanted, within_s)
        if not told:
            pytest.fail(f"{wanted} was not told; heard last: {self.heard[-12:]}")
        return told

    def _wait_for(self, kind, wanted, within_s):
        """Listen until one of some words is told; return the whole, empty where none is."""
        end_s = time.monotonic() + within_s
        while time.monotonic() < end_s:
            told = self.listen(1.0)
            if told is not None and told[0] == kind and any(each in told[1] for each in wanted):
                return told[1]
        return ""

    def begin(self, plan):
        """Enter the first drive, and begin a job of a plan."""
        raise NotImplementedError

    def go_on(self):
        """Say that what is asked is done, or have it measured."""
        raise NotImplementedError

    def write(self, words):
        """Write what is asked for, and go on."""
        raise NotImplementedError

    def lend(self):
        """Let the virtual hand do what is asked."""
        raise NotImplementedError

    def reseat(self):
        """Open the clamp and close it again."""
        raise NotImplementedError

    def step(self, *, outward):
        """Step the head by a track."""
        raise NotImplementedError

    def nudge(self, *, outward, large, small):
        """Nudge the head by so many large steps and small ones."""
        raise NotImplementedError

    def work(self):
        """Do what is asked, one after the other, until the job is closed; return what it was."""
        end_s = time.monotonic() + JOB_WITHIN_S
        while time.monotonic() < end_s:
            words = self._wait_for(SAID, ASKS, UNSEEN_S) if self._has_left else ""
            if self._has_left and not words:
                self.unseen += 1
                self.heard.append(("unseen", ""))
                self.go_on()
            words = words or self.until(SAID, *ASKS)
            self._has_left = False
            if "The job is closed" in words:
                return words
            self._do(words)
        return pytest.fail(f"the job did not end; heard last: {self.heard[-12:]}")

    def _do(self, asked):
        if "Enter: Measure" in asked or "Enter: Close the job" in asked:
            self.go_on()
        elif (unit := re.search(r"Type it, and then Enter: (\S+)", asked)) is not None:
            self.write(TOLD_OF_ROOM.get(unit[1], ""))
        elif "Open the clamp" in asked:
            self._has_left = True
            self.reseat()
        elif re.search(r"[Ss]tep (outward|inward) off track", asked):
            self._there_and_back(outward="tep outward" in asked)
        elif "Still to go" in asked:
            self._turn(asked)
        else:
            self.lend()

    def _there_and_back(self, *, outward):
        self._has_left = True
        self.step(outward=outward)
        self._wait_for(SAID, ["The head is away"], NOTICED_S)
        self.step(outward=not outward)

    def _turn(self, told):
        """Turn until no step would lead nearer to where the head is to go, and have it noticed."""
        while "Still to go" in told:
            steps = self._steps_to_go(told)
            if steps == 0:
                told = self._newest("", NOTICED_S)
                if not told:
                    # It stopped too far from its end for the program to take it for that.
                    self.go_on()
                    return
                continue
            large, small = divmod(abs(steps), LARGE_STEPS)
            self.nudge(outward=steps > 0, large=large, small=small)
            told = self._newest(self.until(SAID, "Still to go", "Enter: "), STILL_S)
        self._do(told)

    def _newest(self, told, still_s):
        """What is told last of how far to go, or asked, before it is silent for so long."""
        end_s = time.monotonic() + SETTLES_S
        while time.monotonic() < end_s and (each := self.listen(still_s)) is not None:
            if each[0] == SAID and any(words in each[1] for words in ("Still to go", "Enter: ")):
                told = each[1]
        return told

    def _steps_to_go(self, told):
        (um, side), *_ = re.findall(r"Still to go: ([0-9.]+) µm (\w+)", told)
        return round(float(um) / STEP_UM) * (1 if side == "outward" else -1)


class ByKeys(Technician):
    """Presses keys, and looks at nothing."""

    def begin(self, plan):
        self._press("F12")
        self.until(SAID, "add the first below")
        self.until(FOCUSED, "New drive")
        while "What a new job is for" not in self._tab("Tab"):
            pass
        if plan != "Full":
            self._press(plan[0])
            self.until(FOCUSED, plan)
        while "New drive" not in self._tab("shift+Tab"):
            pass
        self.write(DRIVE)
        self.until(FOCUSED, DRIVE)
        self._press("Return")

    def go_on(self):
        self._press("Return")

    def write(self, words):
        self.screen.type(words)
        self._press("Return")

    def lend(self):
        self._press("shift+Return")

    def reseat(self):
        self._press("F5")

    def step(self, *, outward):
        self._press("Prior" if outward else "Next")

    def nudge(self, *, outward, large, small):
        key = "Right" if outward else "Left"
        self._press(*[f"shift+{key}"] * large, *[key] * small)

    def _tab(self, key):
        self._press(key)
        return self.until(FOCUSED, "")

    def _press(self, *keys):
        self.heard.append(("pressed", " ".join(keys)))
        self.screen.press(*keys)


class ByPointer(Technician):
    """Puts the pointer on what is seen, and clicks; types where words are asked for, no more."""

    def __init__(self, screen, reader):
        super().__init__(screen, reader)
        self._eyes = Eyes(reader.environment)
        self._known = {}

    def begin(self, plan):
        self._click("push button", "Drives")
        self._click("text", "New drive")
        self.screen.type(DRIVE)
        if plan != "Full":
            self._click("combo box", "Full")
            self._click("list item", plan)
        self._click("push button", "Add")
        self._click("list item", DRIVE)
        self._click("push button", "Begin a job")

    def go_on(self):
        def button(shown):
            # What goes on stands below what is asked, whatever it is called.
            below = itertools.dropwhile(lambda each: each.name != "What is asked", shown)
            return next((each for each in below if each.role == "push button"), None)

        self._click_on(button, "the button that goes on")

    def write(self, words):
        if words:
            self._click("text", "")
            self.screen.type(words)
        self.go_on()

    def lend(self):
        self._click("push button", "Virtual hand")

    def reseat(self):
        self._click("push button", "Reseat")

    def step(self, *, outward):
        self._click("push button", "Step out" if outward else "Step in")

    def nudge(self, *, outward, large, small):
        size_um = f"{LARGE_STEPS * STEP_UM:g} µm", f"{STEP_UM:g} µm"
        names = [f"{each} {arrow}" for each, arrow in zip(size_um, ("▶▶", "▶"), strict=True)]
        if not outward:
            names = [f"{arrow} {each}" for each, arrow in zip(size_um, ("◀◀", "◀"), strict=True)]
        for name, count in zip(names, (large, small), strict=True):
            for _ in range(count):
                self._click("push button", name)

    def _click(self, role, name):
        """Click the first of that role whose name begins so."""

        def alike(shown):
            return (each for each in shown if each.role == role and each.name.startswith(name))

        before = self._known.get((role, name))
        if before is not None:
            # Most stay where they were.
            before = next(alike(filter(None, [self._eyes.again(before)])), None)
        if before is None or not self._press(before):
            found = self._click_on(lambda shown: next(alike(shown), None), f"{role} “{name}”")
            self._known[role, name] = found

    def _click_on(self, find, what):
        """Look until something is there that may be clicked, click it, and return it."""
        end_s = time.monotonic() + WAIT_S
        while time.monotonic() < end_s:
            found = find(self._eyes.look())
            if found is not None and self._press(found):
                return found
        return pytest.fail(f"{what} is not there; heard last: {self.heard[-12:]}")

    def _press(self, shown):
        middle = self._eyes.middle_of(shown)
        if middle is None:
            return False
        self.heard.append(("clicked", shown.name))
        self.screen.click(*middle)
        return True


def hold_a_whole_job(folder, plan, hands, *, managed):
    """Hold that a technician does a whole job, with a window manager or without.

    Nothing but what is told and shown is looked at before the job is closed.
    """
    book = folder / "book.sqlite3"
    with contextlib.ExitStack() as stack:
        screen = stack.enter_context(display(folder))
        reader = stack.enter_context(screen_reader(screen.environment))
        if managed:
            stack.enter_context(screen.managed())
        stack.enter_context(program(reader.environment, SOURCE, "--book", str(book)))
        screen.focus("Evenlobe")
        technician = hands(screen, reader)
        technician.begin(plan)
        closing = technician.work()
    with Book(book) as kept:
        record = kept.job(kept.numbers()[-1])
    assert technician.unseen <= MOST_UNSEEN, technician.heard
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
