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
_STILL_S, _SLOW_S = 1.5, 5.0
Pages = tuple[tuple[str, tuple[str, ...], float], ...]
"""Name of each picture, empty where none is taken; the keys that lead there from the one before;
how long the window has to stand still."""
AT_THE_NEEDLE: Pages = (
    # Still when the strip of the last minute has run out.
    ("needle.near", (), _STILL_S),
    ("frozen.near", ("space",), _STILL_S),
    ("help", ("F1",), _STILL_S),
    # Looked for twice, for the first time is too short on a busy machine.
    ("", ("F2",), _SLOW_S),
    ("sources", ("F8",), _SLOW_S),
)
IN_THE_BOOK: Pages = (
    ("drives", ("F12",), _STILL_S),
    ("history", ("Down",), _STILL_S),
    ("report", ("Tab", "Tab", "Tab", "Tab", "Down", "Return"), _STILL_S),
    ("drives-again", ("Escape",), _STILL_S),
    ("job", ("Return",), _STILL_S),
    ("job-next", ("Return", "Return"), _STILL_S),
)


def take_pictures(
    program: Program, folder: Path, words: tuple[str, ...], size: tuple[int, int], pages: Pages
) -> None:
    """Show the window over a whole screen and keep a picture of each page as PNG."""
    with tempfile.TemporaryDirectory() as frame, display(Path(frame), size) as screen:
        shown = {name: screen.environment[name] for name in ("DISPLAY", "QT_QPA_PLATFORM")}
        seen = screen.picture().copy()
        process = program.begin(*words, **shown)
        try:
            _wait_for_change(screen, seen)
            # The capture comes to its end; the strip, below the middle, goes on for a minute.
            _still(screen, _SLOW_S, size[1] // 2)
            screen.fill("Evenlobe")
            _still(screen, _SLOW_S, size[1] // 2)
            for name, keys, still_s in pages:
                for key in keys:
                    screen.press(key)
                if keys:
                    _wait_for_change(screen, seen)
                seen = _still(screen, still_s)
                if name:
                    _save(seen, folder / f"{size[0]}-{name}.png")
        finally:
            process.terminate()
            process.communicate(timeout=WAIT_S)


def _wait_for_change(screen: Display, before: np.ndarray) -> None:
    end_s = time.monotonic() + WAIT_S
    while np.array_equal(screen.picture(), before):
        if time.monotonic() > end_s:
            raise TimeoutError("the window does not change")
        time.sleep(0.1)


def _still(screen: Display, still_s: float, rows: int | None = None) -> np.ndarray:
    """Return what the screen shows when the upper rows, or all, have not changed for a while."""
    end_s = time.monotonic() + WAIT_S
    seen, since_s = screen.picture().copy(), time.monotonic()
    while time.monotonic() < since_s + still_s:
        if time.monotonic() > end_s:
            raise TimeoutError("the window never stands still")
        time.sleep(0.2)
        now = screen.picture().copy()
        if not np.array_equal(now[:rows], seen[:rows]):
            seen, since_s = now, time.monotonic()
    return seen


def _save(picture: np.ndarray, path: Path) -> None:
    height, width, _ = picture.shape
    path.parent.mkdir(parents=True, exist_ok=True)
    image = QImage(picture.tobytes(), width, height, 3 * width, QImage.Format.Format_RGB888)
    if not image.save(str(path)):
        raise OSError(f"{path} cannot be written")
