"""A real X display without a screen: keys are pressed in it, and its pixels are looked at."""

import contextlib
import os
import shutil
import signal
import struct
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).parents[2]
SIZE = 1920, 1080
_DEADLINE_S = 60
_ASK_CLIPBOARD = """
from PySide6.QtGui import QGuiApplication
asking = QGuiApplication([])
print(asking.clipboard().text())
"""


class Display:
    """An X server of its own number, its screen kept in a file, its keyboard pressed by xdotool."""

    def __init__(self, folder: Path, size: tuple[int, int] = SIZE) -> None:
        for tool, package in (("Xvfb", "xvfb"), ("xdotool", "xdotool")):
            if shutil.which(tool) is None:
                pytest.fail(f"{tool} is missing: apt install {package}")
        self._width, self._height = size
        self._screen = folder / "Xvfb_screen0"
        # A new user's: a window remembers its size, and other tests' windows were small.
        self.settings = folder / "settings"
        self.settings.mkdir(exist_ok=True)
        said, saying = os.pipe()
        server = ("-nolisten", "tcp", "-screen", "0", f"{self._width}x{self._height}x24")
        self._process = subprocess.Popen(
            ["Xvfb", "-displayfd", str(saying), "-fbdir", str(folder), *server],
            pass_fds=[saying],
            stderr=subprocess.DEVNULL,
        )
        os.close(saying)
        with os.fdopen(said) as answer:
            self._number = answer.readline().strip()
        if not self._number:
            pytest.fail("Xvfb did not start")

    @property
    def environment(self) -> dict[str, str]:
        """What a process needs to show its window here."""
        own = {"DISPLAY": f":{self._number}", "XDG_CONFIG_HOME": str(self.settings)}
        return {**os.environ, **own, "QT_QPA_PLATFORM": "xcb"}

    def close(self) -> None:
        """End the server."""
        self._process.terminate()
        self._process.wait(_DEADLINE_S)

    @contextlib.contextmanager
    def managed(self) -> Iterator[None]:
        """A window manager for as long as the block lasts: it frames, and gives the keyboard."""
        if shutil.which("openbox") is None:
            pytest.fail("openbox is missing: apt install openbox")
        manager = subprocess.Popen(
            ["openbox", "--sm-disable"],
            env=self.environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            yield
        finally:
            manager.terminate()
            manager.wait(_DEADLINE_S)

    def focus(self, title: str) -> None:
        """Give the keyboard to a window; without a window manager nobody else would."""
        self._tool("search", "--sync", "--onlyvisible", "--name", title, "windowfocus", "--sync")

    def fill(self, title: str) -> None:
        """Give the keyboard and the whole screen to a window."""
        self.focus(title)
        size = (str(self._width), str(self._height))
        self._tool("search", "--name", title, "windowmove", "0", "0", "windowsize", "--sync", *size)

    def press(self, *keys: str) -> None:
        """Press and release real keys, one after the other."""
        self._tool("key", "--clearmodifiers", *keys)

    def type(self, words: str) -> None:
        """Type words, letter by letter."""
        self._tool("type", "--delay", "20", words)

    def wait_for(self, title: str) -> None:
        """Wait until a window is seen."""
        self._tool("search", "--sync", "--onlyvisible", "--name", title)

    def point(self, left: int, top: int) -> None:
        """Put the pointer somewhere, in pixels from the left and the top."""
        self._tool("mousemove", str(left), str(top))

    def hold(self) -> None:
        """Press the pointer's first button, and hold it."""
        self._tool("mousedown", "1")

    def let_go(self) -> None:
        """Let the pointer's first button go."""
        self._tool("mouseup", "1")

    def click(self, left: int, top: int) -> None:
        """Put the pointer somewhere, and press its first button once."""
        self.point(left, top)
        self._tool("click", "1")

    def copied(self) -> str:
        """What has been copied, as another program of this display is given it."""
        asked = subprocess.run(
            [sys.executable, "-c", _ASK_CLIPBOARD],
            env=self.environment,
            check=True,
            timeout=_DEADLINE_S,
            capture_output=True,
            text=True,
        )
        return asked.stdout

    def picture(self) -> np.ndarray:
        """What the screen shows now: uint8, shape (height, width, 3), red green blue."""
        raw = self._screen.read_bytes()
        # X window dump, X11/XWDFile.h: a header of big-endian words, colours, then the pixels.
        header = struct.unpack(">25I", raw[:100])
        size, bits, line, colours = header[0], header[11], header[12], header[19]
        assert bits == 32
        start = size + 12 * colours
        rows = np.frombuffer(raw, np.uint8, self._height * line, start)
        pixels = rows.reshape(self._height, line)[:, : 4 * self._width]
        return pixels.reshape(self._height, self._width, 4)[:, :, 2::-1]

    def _tool(self, *words: str) -> None:
        subprocess.run(
            ["xdotool", *words],
            env=self.environment,
            check=True,
            timeout=_DEADLINE_S,
            stdout=subprocess.DEVNULL,
        )


@contextlib.contextmanager
def display(folder: Path, size: tuple[int, int] = SIZE) -> Iterator[Display]:
    """A display for as long as the block lasts."""
    shown = Display(folder, size)
    try:
        yield shown
    finally:
        shown.close()


@contextlib.contextmanager
def program(environment: dict[str, str], *words: str) -> Iterator[None]:
    """The program in a window for as long as the block lasts; it has to end without a complaint."""
    begun = subprocess.Popen(
        [sys.executable, "-m", "app", *words],
        cwd=ROOT,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield
    finally:
        begun.send_signal(signal.SIGINT)
        _, errors = begun.communicate(timeout=2 * _DEADLINE_S)
    assert begun.returncode == 0
    assert errors == ""
