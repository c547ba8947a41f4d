"""Leads the voice by what the needle shows: a tone while it stands, chimes for what changes."""

from __future__ import annotations

from dataclasses import dataclass

from app.ear.tone import tone_for
from app.ear.voice import Chime, Voice

_APART_S = 0.7
"""A needle at the very limit must not ring without end."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What of a needle is heard."""

    balance: float
    expanded_u: float
    limit: float
    mirrored: bool = False
    moving: bool = False


class Guide:
    """Turns needle after needle into tones and chimes of a voice."""

    def __init__(self, voice: Voice) -> None:
        self._voice = voice
        self._before: Heard | None = None
        self._even = False
        self._chimed_at_s = float("-inf")

    def show(self, now: Heard | None, now_s: float) -> None:
        """Let the newest needle be heard; None where it is parked.

        Parameters
        ----------
        now_s : float
            Monotonic time.
        """
        before, self._before = self._before, now
        if now is None:
            self._voice.tone = None
            self._even = False
            if before is not None:
                self._chime(Chime.PARKED, now_s)
            return
        self._voice.tone = tone_for(now.balance, now.expanded_u, now.limit, mirrored=now.mirrored)
        if now.moving:
            return
        even = abs(now.balance) + now.expanded_u <= now.limit
        crossed = even != self._even
        self._even = even
        if crossed:
            self._chime(Chime.ARRIVED if even else Chime.LEFT, now_s)
        elif before is not None and before.moving:
            self._chime(Chime.SETTLED, now_s)

    def silence(self) -> None:
        """Let nothing be heard."""
        self._voice.tone = None
        self._before, self._even = None, False

    def _chime(self, chime: Chime, now_s: float) -> None:
        if now_s - self._chimed_at_s >= _APART_S:
            self._chimed_at_s = now_s
            self._voice.chime(chime)
