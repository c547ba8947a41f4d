"""The program's end waits for a thread that is in a library, and for none that hangs there."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PROGRAM = """
import atexit, threading
from instruments.ending import end_waits_for

lock, ended = threading.Lock(), threading.Event()
said = []

def be_in_the_library():
    with lock:
        held.set()
        {stay}
        said.append("left")

held = threading.Event()
end_waits_for(lock, {longest_s})
# As a library does that is imported later.
atexit.register(lambda: (print(*said, "closed"), ended.set()))
threading.Thread(target=be_in_the_library, daemon=True).start()
held.wait()
"""


@pytest.mark.parametrize(
    ("stay", "longest_s", "said"),
    [
        ("threading.main_thread().join()", 60.0, "left closed"),
        ("ended.wait()", 0.1, "closed"),
    ],
    ids=["at work", "hangs"],
)
def test_a_library_is_closed_when_nobody_is_in_it(stay, longest_s, said):
    program = PROGRAM.format(stay=stay, longest_s=longest_s)
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.stdout.strip(), done.stderr, done.returncode) == (said, "", 0)
