"""A sound output that plays what it is asked for, moment by moment.

Threads: PortAudio's calls `fill` and copies what that returns; whoever opened it may close it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from instruments.sound.portaudio import PORTAUDIO, PortAudio, find_device
from instruments.source import SourceUnavailable

Fill = Callable[[int], NDArray[np.float32]]
"""Returns so many samples: float32, shape (frames,), within ±1. It may not wait."""

_BLOCK_S = 0.01
_PATIENCE_S = 1.0
_CHANNELS = 2


class Playback:
    """Plays on both channels of an output until it is closed.

    Parameters
    ----------
    device : str
        The output's name or part of it, or its number; "" for the system's own choice.
    make_fill : callable
        Given the samples a second, returns what makes the samples.
    measured : str
        Address of the open source: its own device may not be played into.
    portaudio : PortAudio
        The process's one.

    Raises
    ------
    SourceUnavailable
        When there is no such output, it refuses, or it is the one that is measured.
    """

    def __init__(
        self,
        device: str,
        make_fill: Callable[[float], Fill],
        measured: str = "",
        portaudio: PortAudio = PORTAUDIO,
    ) -> None:
        self._portaudio = portaudio
        found = portaudio.output(device)
        kind, _, rest = measured.partition(":")
        if kind == "sound" and found.name == _input_name(portaudio, rest):
            raise SourceUnavailable(
                f"sound output “{found.name}”: this is the device that is measured; name another"
            )
        self.name = found.name
        fill = make_fill(float(found.default_rate_hz))

        def call(out: NDArray[np.float32], frames: int, time: Any, status: Any) -> None:
            del time, status
            out[:] = fill(frames)[:, np.newaxis]

        self._stream = portaudio.start_output(
            found,
            channels=_CHANNELS,
            samplerate=found.default_rate_hz,
            blocksize=round(_BLOCK_S * found.default_rate_hz),
            latency="low",
            callback=call,
        )

    def close(self) -> None:
        """Play nothing more."""
        self._portaudio.close(self._stream, _PATIENCE_S)


def _input_name(portaudio: PortAudio, wanted: str) -> str:
    """Return the name of the device that an address's text after ``sound:`` leads to."""
    try:
        return find_device(portaudio.devices(), wanted.partition("?")[0].strip()).name
    except SourceUnavailable:
        return ""  # it has gone: nothing is measured
