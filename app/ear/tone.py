"""From where the needle stands to what is heard.

Side and distance are pitch against a tone that never changes, which is heard between: higher is
outward, lower is inward. The rhythm quickens as the lobes come even, and within the limit both run
into one steady tone. Pitch goes with the logarithm of the distance, since that is how pitch is
heard; small steps near the middle are wider than the just noticeable difference of 0.6 %
(H. Fastl, E. Zwicker, Psychoacoustics, 7.2: about 0.7 % above 500 Hz; from memory). Mapping a
figure on pitch, with a reference beside it, is parameter mapping (T. Hermann, A. Hunt, J. Neuhoff
(eds.), The Sonification Handbook, 2011, chapter 15; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

REFERENCE_HZ = 440.0
"""The tone that stands for even lobes: ISO 16:1975."""
_SEMITONES = 3.0
_KNEE = 0.02
"""Balance at which the pitch is so many semitones off, and its scale begins to be logarithmic."""
_FAR_HZ, _NEAR_HZ = 2.0, 8.0
_WIDE = 0.08


@dataclass(frozen=True, slots=True)
class Tone:
    """What is heard at one moment."""

    pitch_hz: float
    """Of the tone that tells the balance."""
    pulses_hz: float
    """How often it sounds a second; 0: it is steady."""
    either: bool = False
    """The side is not known: it stands by turns as far below the reference as above."""


def tone_for(balance: float, expanded_u: float, limit: float, *, mirrored: bool = False) -> Tone:
    """Return what is heard of a balance.

    Parameters
    ----------
    balance : float
        Where the needle stands; positive is outward.
    expanded_u : float
        Its expanded uncertainty.
    limit : float
        Balance within which the lobes are even.
    mirrored : bool
        The side is not known.
    """
    distance = abs(balance)
    semitones = math.copysign(_SEMITONES * math.log2(1.0 + distance / _KNEE), balance)
    pitch_hz = REFERENCE_HZ * 2.0 ** (semitones / 12.0)
    if distance + expanded_u <= limit:
        return Tone(pitch_hz, 0.0, mirrored)
    nearness = math.exp(-(distance - limit) / _WIDE) if distance > limit else 1.0
    return Tone(pitch_hz, _FAR_HZ + (_NEAR_HZ - _FAR_HZ) * nearness, mirrored)
