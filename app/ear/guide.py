"""Leads the voice by what the needle shows: a tone while it stands, chimes for what changes."""

from __future__ import annotations

from dataclasses import dataclass

from app.ear.tone import Tone, tone_for
from app.ear.voice import Chime, Voice

_APART_S = 0.7
"""A needle at the very limit must not ring without end."""


@dataclass(frozen=True, slots=True)
class AudibleNeedle:
    """What of a needle is heard."""

    balance: float
    expanded_u: float
    limit: float
    mirrored: bool = False
    moving: bool = False


class Changes:
    """Tells what has changed from one needle to the next."""

    def __init__(self) -> None:
        self._before: AudibleNeedle | None = None
        self._even = False
        self._stood: float | None = None
        self._strayed = False

    def show(self, now: AudibleNeedle | None) -> Chime | None:
        """Return what the newest needle changes, None where nothing; `now` is None while parked."""
        before, self._before = self._before, now
        if now is None:
            self._even, self._stood, self._strayed = False, None, False
            return None if before is None else Chime.PARKED
        # Noise alone may look like a move: the needle then stands where it stood. One that was
        # not seen to move has to be elsewhere by what neither of two readings explains.
        stood = now.balance if self._stood is None else self._stood
        moves = now.moving or (before is not None and before.moving)
        least = now.expanded_u if moves else 2.0 * now.expanded_u
        self._strayed |= abs(now.balance - stood) > least
        if now.moving:
            self._stood = stood
            return None
        strayed, self._strayed = self._strayed, False
        self._stood = now.balance if strayed else stood
        even = abs(now.balance) + now.expanded_u <= now.limit
        crossed, self._even = even != self._even, even
        if crossed:
            return Chime.ARRIVED if even else Chime.LEFT
        return Chime.SETTLED if strayed else None


def _tone_of(now: AudibleNeedle) -> Tone:
    return tone_for(now.balance, now.expanded_u, now.limit, mirrored=now.mirrored)


class Guide:
    """Turns needle after needle into tones and chimes of a voice."""

    def __init__(self, voice: Voice) -> None:
        self._voice = voice
        self._changes = Changes()
        self._chimed_at_s = float("-inf")

    def show(self, now: AudibleNeedle | None, now_s: float) -> None:
        """Let the newest needle be heard; None where it is parked.

        Parameters
        ----------
        now_s : float
            Monotonic time.
        """
        change = self._changes.show(now)
        self._voice.tone = None if now is None else _tone_of(now)
        if change is not None:
            self._chime(change, now_s)

    def silence(self) -> None:
        """Let nothing be heard."""
        self._voice.tone = None
        self._changes = Changes()

    def _chime(self, chime: Chime, now_s: float) -> None:
        if now_s - self._chimed_at_s >= _APART_S:
            self._chimed_at_s = now_s
            self._voice.chime(chime)
