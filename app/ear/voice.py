"""Tones and chimes as samples.

Threads: whoever leads sets :attr:`Voice.tone` and :attr:`Voice.level`, and asks for chimes; the
sound card's thread alone calls :meth:`Voice.render`.
"""

from __future__ import annotations

import queue
from collections.abc import Callable
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from app.ear.tone import REFERENCE_HZ, Tone

_PARTIALS = ((1, 1.0), (2, 0.3), (3, 0.15))
"""A few, so that small loudspeakers are heard too."""
_EDGE_S = 0.008
"""A tone that begins or ends faster clicks."""
_STEADY_HZ = 2.0
"""How often a steady tone of two pitches goes from one to the other."""
_DUCKED = 0.25
QUIETEST_DB, LOUDEST_DB = -48.0, -3.0
"""Levels between which a tone is heard and is bearable, of full scale."""


Fill = Callable[[int], NDArray[np.float32]]
"""Returns the next so many samples: float32, shape (frames,), within ±1."""


class OutputUnavailable(Exception):  # noqa: N818 - reads as the state that it names
    """No sound output plays what it is asked to; its words say why, for a person."""


class Chime(Enum):
    """What is told by a few notes: each a pitch against the reference, in semitones."""

    SETTLED = (12,)
    """The reading stands still."""
    ARRIVED = (0, 4, 7)
    """The lobes have come even."""
    LEFT = (7, 4)
    """They are even no more."""
    PARKED = (0, -5, -12)
    """There is no reading any more."""


class Voice:
    """Renders what is heard, phase by phase without a jump.

    Parameters
    ----------
    rate_hz : float
        Samples a second.
    """

    def __init__(self, rate_hz: float) -> None:
        self.rate_hz = rate_hz
        self.tone: Tone | None = None
        """What is heard from the next block on; None is silence."""
        self.level = 0.25
        """Of the largest sample, 0 is mute."""
        self._chimes: queue.SimpleQueue[Chime] = queue.SimpleQueue()
        # The sound card's thread alone:
        self._heard = Tone(REFERENCE_HZ, 0.0)
        self._phase = self._beat = self._loud = self._gain = self._opened = 0.0
        self._playing = np.empty(0, np.float32)
        self._notes = {chime: _notes(chime, rate_hz) for chime in Chime}

    def chime(self, chime: Chime) -> None:
        """Let a chime be heard once."""
        self._chimes.put(chime)

    def render(self, frames: int) -> NDArray[np.float32]:
        """Return the next samples: float32, shape (frames,), within ±1."""
        tone = self.tone
        loud = 0.0 if tone is None else 1.0
        heard = tone or self._heard
        beats = self._beats(frames, heard.pulses_hz or _STEADY_HZ)
        sound = self._pitched(frames, heard, beats) * _glide(self._loud, loud, frames)
        self._heard, self._loud = heard, loud
        chimed = self._chimed(frames)
        if chimed.any():
            sound *= _DUCKED
        gain = _glide(self._gain, self.level, frames)
        self._gain = self.level
        return ((sound + chimed) * gain).astype(np.float32)

    def _beats(self, frames: int, pulses_hz: float) -> NDArray[np.float64]:
        """Return how many beats have gone by at each sample: first the tone, then the reference."""
        beats = np.arange(1, frames + 1, dtype=np.float64) * (pulses_hz / self.rate_hz)
        beats += self._beat
        self._beat = float(beats[-1] % 2.0)
        return beats

    def _pitched(self, frames: int, tone: Tone, beats: NDArray[np.float64]) -> NDArray[np.float64]:
        first = beats % 1.0 < 0.5
        pitch_hz = np.full(frames, tone.pitch_hz)
        if tone.either:
            pitch_hz[beats % 2.0 >= 1.0] = REFERENCE_HZ**2 / tone.pitch_hz
        if tone.pulses_hz:
            pitch_hz[~first] = REFERENCE_HZ
        phase = self._phase + 2.0 * np.pi * np.cumsum(pitch_hz) / self.rate_hz
        self._phase = float(phase[-1] % (2.0 * np.pi))
        sound = np.zeros(frames)
        for number, part in _PARTIALS:
            sound += part * np.sin(number * phase)
        sound /= sum(part for _, part in _PARTIALS)
        sound *= self._open(tone, beats, first)
        return sound

    def _open(
        self, tone: Tone, beats: NDArray[np.float64], first: NDArray[np.bool_]
    ) -> NDArray[np.float64]:
        """Return how far tone and reference are open at each sample, without a jump."""
        wanted = np.ones(len(beats))
        if tone.pulses_hz:
            # Each of the two fades in and out; the reference stays in the background.
            half = 0.5 - np.abs(beats * 2.0 % 1.0 - 0.5)
            edge = 2.0 * _EDGE_S * tone.pulses_hz
            wanted = np.minimum(half / edge, 1.0) * np.where(first, 1.0, 0.5)
        opened = wanted + (self._opened - wanted[0]) * np.linspace(1.0, 0.0, len(wanted))
        self._opened = float(opened[-1])
        return opened

    def _chimed(self, frames: int) -> NDArray[np.float64]:
        while not self._chimes.empty():
            self._playing = self._notes[self._chimes.get()]
        now, self._playing = self._playing[:frames], self._playing[frames:]
        chimed = np.zeros(frames, np.float64)
        chimed[: len(now)] = now
        return chimed


def _glide(start: float, end: float, frames: int) -> NDArray[np.float64]:
    """Return a way from one factor to another without a jump."""
    return start + (end - start) * np.arange(1, frames + 1) / frames


def _notes(chime: Chime, rate_hz: float) -> NDArray[np.float64]:
    """Return a chime's notes, each struck and fading."""
    time_s = np.arange(int(0.4 * rate_hz)) / rate_hz
    struck = np.minimum(time_s / _EDGE_S, 1.0) * np.exp(-time_s / 0.08)
    apart = int(0.11 * rate_hz)
    sound = np.zeros(apart * (len(chime.value) - 1) + len(time_s))
    for place, semitones in enumerate(chime.value):
        pitch_hz = 2.0 * REFERENCE_HZ * 2.0 ** (semitones / 12.0)
        sound[place * apart :][: len(time_s)] += struck * np.sin(2.0 * np.pi * pitch_hz * time_s)
    return sound / np.abs(sound).max()
