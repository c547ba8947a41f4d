"""Files that are dragged from another program's window onto this one, by a real pointer."""

import contextlib
import shutil
import subprocess
import sys
import time

import pytest

from tests.integration.dragging import DROPPED, PLACE, READY, TITLE
from tests.integration.screenreader import FOCUSED, SAID, screen_reader
from tests.integration.xdisplay import ROOT, display, program

pytestmark = [pytest.mark.real_time, pytest.mark.slow, pytest.mark.xdist_group("window")]

CAPTURE = ROOT / "fixtures" / "captures" / "counted.csv"
SOURCE = "sim:rate=200000&carrier_hz=50000"
WAIT_S = 60.0
OVER_WINDOW = (900, 600), (700, 450), (620, 420), (600, 400)


@contextlib.contextmanager
def dragged(screen, paths):
    """Drag paths to the window and drop them there; their owner is there to hand them over.

    Yields what the owner was told.
    """
    owner = subprocess.Popen(
        [sys.executable, "-m", "tests.integration.dragging", *map(str, paths)],
        cwd=ROOT,
        env=screen.environment,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert owner.stdout.readline().strip() == READY
        screen.wait_for(TITLE)
        left, top, width, height = PLACE
        screen.point(left + width // 2, top + height // 2)
        screen.hold()
        for place in OVER_WINDOW:
            time.sleep(0.2)  # as a hand goes: the source asks at each place what it may do there
            screen.point(*place)
        time.sleep(0.5)
        screen.let_go()
        yield owner.stdout.readline().split()
    finally:
        owner.terminate()
        owner.wait(WAIT_S)
        owner.stdout.close()


@pytest.mark.timeout(300)
def test_files_are_dropped_by_a_hand(tmp_path):
    paths = [tmp_path / f"turn {number}, it's one.csv" for number in range(10)]
    for path in paths:
        shutil.copy(CAPTURE, path)

    def until(kind, words):
        end_s = time.monotonic() + WAIT_S
        heard = []
        while time.monotonic() < end_s:
            told = reader.next(1.0)
            heard.append(told)
            if told is not None and told[0] == kind and words in told[1]:
                return
        pytest.fail(f"“{words}” was not {kind}, but {heard[-12:]}")

    with contextlib.ExitStack() as stack:
        screen = stack.enter_context(display(tmp_path))
        reader = stack.enter_context(screen_reader(screen.environment))
        stack.enter_context(screen.managed())
        book = tmp_path / "book.sqlite3"
        stack.enter_context(program(reader.environment, SOURCE, "--book", str(book)))
        screen.fill("Evenlobe")
        with dragged(screen, paths):
            until(SAID, "10 things were dropped; one capture at a time can be opened.")
        with dragged(screen, [tmp_path]):
            until(SAID, "is a folder; drop one of the captures in it.")
        # By a move the other program would delete what it has dragged.
        with dragged(screen, paths[:1]) as told:
            assert told == [DROPPED, "CopyAction"]
            until(FOCUSED, "Open")
        screen.focus("Evenlobe")
        screen.press("Return")
        until(SAID, "The capture ends before a reading was possible")
    assert all(each.exists() for each in paths)
