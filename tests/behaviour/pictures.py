"""Pictures of the window's pages, taken on a virtual display from the program itself.

Only keys reach the window, so nothing here knows how it is built. It shows a capture that has come
to its end and a book with times of its own: two recordings of one program are equal to the pixel.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np
from PySide6.QtGui import QImage

from tests.behaviour.program import WAIT_S, Program
from tests.integration.xdisplay import Display, display

SIZES = ((1280, 800), (1920, 1080))
_STILL_S, _LISTED_S = 1.0, 5.0
PAGES: tuple[tuple[str, tuple[str, ...], float], ...] = (
    ("needle.near", (), _STILL_S),
    ("frozen.near", ("space",), _STILL_S),
    ("help", ("F1",), _STILL_S),
    ("sources", ("F2", "F8"), _LISTED_S),
    ("drives", ("F12",), _STILL_S),
    ("history", ("Down",), _STILL_S),
    ("report", ("Tab", "Tab", "Tab", "Tab", "Down", "Return"), _STILL_S),
    ("drives-again", ("Escape",), _STILL_S),
    ("job", ("Return",), _STILL_S),
    ("job-next", ("Return", "Return"), _STILL_S),
)
"""Name of each picture, the keys that lead there from the one before, and how long the window has
to stand still after each.

The strip of the last minute depends on the time. Sources are listed a while after their page is
shown, and looked for again, for the first time is too short on a busy machine.
"""


def take_pictures(
    program: Program, folder: Path, words: tuple[str, ...], size: tuple[int, int]
) -> None:
    """Show the window over a whole screen and keep a picture of each page as PNG."""
    with tempfile.TemporaryDirectory() as frame, display(Path(frame), size) as screen:
        shown = {name: screen.environment[name] for name in ("DISPLAY", "QT_QPA_PLATFORM")}
        nothing = screen.picture().copy()
        process = program.begin(*words, **shown)
        try:
            _changed(screen, nothing, _STILL_S)
            screen.fill("Evenlobe")
            seen = _still(screen, _STILL_S)
            for name, keys, still_s in PAGES:
                for key in keys:
                    screen.press(key)
                    seen = _changed(screen, seen, still_s)
                _save(seen, folder / f"{size[0]}-{name}.png")
        finally:
            process.terminate()
            process.communicate(timeout=WAIT_S)


def _changed(screen: Display, before: np.ndarray, still_s: float) -> np.ndarray:
    """Wait until the screen shows something else, and that for a while."""
    end_s = time.monotonic() + WAIT_S
    while np.array_equal(screen.picture(), before):
        if time.monotonic() > end_s:
            raise TimeoutError("the window does not change")
        time.sleep(0.1)
    return _still(screen, still_s)


def _still(screen: Display, still_s: float) -> np.ndarray:
    end_s = time.monotonic() + WAIT_S
    seen, since_s = screen.picture().copy(), time.monotonic()
    while time.monotonic() < since_s + still_s:
        if time.monotonic() > end_s:
            raise TimeoutError("the window never stands still")
        time.sleep(0.2)
        now = screen.picture().copy()
        if not np.array_equal(now, seen):
            seen, since_s = now, time.monotonic()
    return seen


def _save(picture: np.ndarray, path: Path) -> None:
    height, width, _ = picture.shape
    path.parent.mkdir(parents=True, exist_ok=True)
    image = QImage(picture.tobytes(), width, height, 3 * width, QImage.Format.Format_RGB888)
    if not image.save(str(path)):
        raise OSError(f"{path} cannot be written")
