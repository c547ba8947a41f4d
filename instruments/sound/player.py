"""A sound output that plays arrays one after the other, and is silent otherwise.

Threads: whoever plays hands arrays over; PortAudio's thread takes them. Each array is put into the
queue whole and never changed after, and dropping all is one assignment.
"""

from __future__ import annotations

from collections import deque
from typing import Any

import numpy as np
from numpy.typing import NDArray

from instruments.sound.portaudio import PORTAUDIO, PortAudio

_LATENCY_S = 0.1
_CLOSE_S = 1.5
_MOST_OUTPUTS = 2


class SoundPlayer:
    """An open output.

    Parameters
    ----------
    wanted : str
        Number, name or part of a name.
    rate_hz : int
        Frames a second.
    portaudio : PortAudio
        Where devices and streams come from.

    Raises
    ------
    SourceUnavailable
        When there is no such output, or it refuses.
    """

    def __init__(self, wanted: str, rate_hz: int, portaudio: PortAudio = PORTAUDIO) -> None:
        device = portaudio.output(wanted)
        self.name = device.name
        self.outputs = min(device.channels, _MOST_OUTPUTS)
        self._portaudio = portaudio
        self._queue: deque[NDArray[np.float32]] = deque()
        self._stream: Any = portaudio.start_output(
            device,
            samplerate=rate_hz,
            channels=self.outputs,
            latency=_LATENCY_S,
            callback=self._on_frames,
        )

    def play(self, samples: NDArray[np.float32]) -> None:
        """Play float32, shape (frames, outputs), within ±1, after what is being played."""
        self._queue.append(np.clip(samples, -1.0, 1.0))

    def silence(self) -> None:
        """Drop what is not played yet."""
        self._queue = deque()

    def close(self) -> None:
        """Fall silent and let go of the output; may be called again."""
        self.silence()
        stream, self._stream = self._stream, None
        if stream is not None:
            self._portaudio.close(stream, _CLOSE_S)

    def _on_frames(self, out: NDArray[np.float32], frames: int, _: Any, __: Any) -> None:
        out.fill(0.0)
        queue, done = self._queue, 0
        while queue and done < frames:
            piece = queue.popleft()
            now = min(len(piece), frames - done)
            out[done : done + now] = piece[:now]
            if now < len(piece):
                queue.appendleft(piece[now:])
            done += now
