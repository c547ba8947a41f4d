"""How long the tone takes from a reading to what is handed to the sound card."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.tables import table

ALLOWED_S = 0.060
_RATE_HZ = 48_000.0
_BLOCK_S = 0.01
"""As the output asks for it."""
_APART_S = 0.25
_WITHIN_S = 20.0


class _Output:
    """A sound card that plays nothing: it asks for a block at a time, and notes what came.

    Thread: *card*, which alone writes :attr:`heard_s`.
    """

    name = "none"

    def __init__(self, make_fill: Callable[[float], Callable[[int], NDArray[np.float32]]]) -> None:
        self._fill = make_fill(_RATE_HZ)
        self._ended = threading.Event()
        self.heard_s: float | None = None
        """When the first block of a tone was handed over; None while there is silence."""
        self._thread = threading.Thread(target=self._play, name="card", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Ask for no more."""
        self._ended.set()
        self._thread.join()

    def _play(self) -> None:
        frames = round(_BLOCK_S * _RATE_HZ)
        next_s = time.monotonic()
        while not self._ended.wait(max(0.0, next_s - time.monotonic())):
            next_s += _BLOCK_S
            sounds = bool(self._fill(frames).any())
            if not sounds:
                self.heard_s = None
            elif self.heard_s is None:
                self.heard_s = time.monotonic()


def lags_s(times: int) -> list[float]:
    """Return how long each of some readings took, at any moment of a frame and a block."""
    from PySide6.QtWidgets import QApplication

    from app.dashboard.window import MainWindow
    from tests.app.dashboard.fakes import FakeSession, parked, reading, view

    application = QApplication.instance() or QApplication([])
    outputs: list[_Output] = []

    def open_output(
        make_fill: Callable[..., Callable[[int], NDArray[np.float32]]], _: str
    ) -> _Output:
        outputs.append(_Output(make_fill))
        return outputs[-1]

    silent, sounding = view(reading=parked("no signal")), view(reading=reading(0.2))
    shown = [silent]
    session = FakeSession(lambda: replace(shown[0], reading_at_s=time.monotonic()))
    window = MainWindow(session, open_output=open_output)
    window.show()
    window.show_needle()
    window.ear.toggle("")
    (output,) = outputs
    rng = np.random.default_rng(1)
    found = []
    for _ in range(times):
        shown[0] = silent
        _until(lambda: output.heard_s is None, application)
        pause_s = time.monotonic() + _APART_S + float(rng.uniform(0.0, _APART_S))
        _until(lambda until_s=pause_s: time.monotonic() >= until_s, application)
        # A chime that tells of the parking may have followed the tone.
        _until(lambda: output.heard_s is None, application)
        told_s = time.monotonic()
        shown[0] = sounding
        _until(lambda: output.heard_s is not None, application)
        assert output.heard_s is not None
        found.append(output.heard_s - told_s)
    window.close()
    return found


def _until(is_so: Callable[[], bool], application: object) -> None:
    """Let the window go on until something is so."""
    from PySide6.QtCore import QEventLoop
    from PySide6.QtWidgets import QApplication

    assert isinstance(application, QApplication)
    end_s = time.monotonic() + _WITHIN_S
    while not is_so():
        application.processEvents(QEventLoop.ProcessEventsFlag.AllEvents, 2)
        time.sleep(0.0005)
        if time.monotonic() > end_s:
            raise TimeoutError("nothing was heard")


def report(say: Callable[[str], object], times: int = 40) -> None:
    """Print the table."""
    lags = lags_s(times)
    rows = [
        [what, f"{1e3 * lag_s:.0f} ms", f"{1e3 * ALLOWED_S:.0f} ms"]
        for what, lag_s in (("median", float(np.median(lags))), ("worst", max(lags)))
    ]
    title = f"The tone of {times} readings, to what is handed to the sound card"
    say(table(title, ["after the reading", "lag", "allowed"], rows))
