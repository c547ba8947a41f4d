"""Where the head is to be: the middle that an aim asks for, and whether that can be reached."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from app.analysis.budget import Budget, Part
from app.analysis.messages import fill
from app.analysis.results import Message, Quantity
from app.job import messages
from app.job.budget import CLAMP, READING, SEATING
from app.job.model import Aim, AimKind, Known, Limit
from app.job.verdicts import offset_limit
from app.numbers import UM_PER_MIL, Unit
from app.profiles import Profile

AIM = "aim"
READABLE_PART = 0.8
"""Of the scale: within it both lobes are seen."""
_COVERAGE = 2.0
_BY_FOUND = (AimKind.AS_FOUND, AimKind.ARCHIVE)
"""Aims that are counted from where the same disk showed the head as found."""
_UM_IN = {str(Unit.UM): 1.0, "\u03bcm": 1.0, "um": 1.0, str(Unit.MIL): UM_PER_MIL}
"""By how units are written: with the micro sign, the Greek letter or a u."""
_OWN = (READING, SEATING, CLAMP)
"""Parts that differ from one measurement of the same job to the next."""


def readable_um(profile: Profile) -> float:
    """Return how far from the zero a head can be aimed: both lobes are seen, on its own track."""
    return min(READABLE_PART * profile.scale_um, profile.track_pitch_um / 2.0)


def stated(profile: Profile, um: float, u_um: float = 0.0) -> Aim:
    """Return the aim at a stated offset.

    Raises
    ------
    ValueError
        When it cannot be read on this disk, or is none; the sentence has the value and the range.
    """
    most_um = readable_um(profile)
    # Also what is not a number is not within it.
    if not abs(um) <= most_um:
        raise ValueError(str(fill(messages.AIM_BEYOND, f"{um:+g}", f"{most_um:.0f}")))
    if not 0.0 <= u_um <= most_um:
        raise ValueError(str(fill(messages.AIM_UNSURE, f"{u_um:g}", f"{most_um:.0f}")))
    return Aim(AimKind.OFFSET, um, u_um)


def as_found(profile: Profile, known: Known) -> Aim:
    """Return the aim at where the head was as found: the way back.

    Raises
    ------
    ValueError
        When that is not known.
    """
    found_um = known.found_um
    if found_um is None:
        raise ValueError(str(messages.NOT_FOUND_YET))
    return replace(stated(profile, found_um.value, found_um.u), kind=AimKind.AS_FOUND)


def archive(profile: Profile, known: Known) -> Aim:
    """Return the aim at the middle of an archive's track, which a job before measured.

    It is where the head was as found, less what it stood off that track. That was at one of its
    two places of rest, and nobody knows at which: half of the hysteresis is in u.

    Raises
    ------
    ValueError
        When no job before has measured it, or the head as found is not known.
    """
    found_um, off_um = known.found_um, known.archive_um
    if off_um is None:
        raise ValueError(str(messages.NO_ARCHIVE))
    if found_um is None:
        raise ValueError(str(messages.NOT_FOUND_YET))
    rest_um = 0.0 if known.hysteresis_um is None else known.hysteresis_um.value / 2.0
    u_um = math.hypot(found_um.u, off_um.u, rest_um)
    return replace(stated(profile, found_um.value - off_um.value, u_um), kind=AimKind.ARCHIVE)


def aim_of(profile: Profile, known: Known, words: str, unit: Unit = Unit.UM) -> Aim:
    """Return the aim that words name: the kind of one, or an offset, as ``12`` or ``12±1 µm``.

    An offset without a unit is in `unit`.

    Raises
    ------
    ValueError
        When there is none such, or not yet.
    """
    if words == AimKind.DISK:
        return Aim()
    if words == AimKind.AS_FOUND:
        return as_found(profile, known)
    if words == AimKind.ARCHIVE:
        return archive(profile, known)
    figures, factor = words.strip(), _UM_IN[unit]
    for name, um in _UM_IN.items():
        if figures.endswith(name):
            figures, factor = figures.removesuffix(name), um
    try:
        value, u = (*map(float, figures.replace(",", ".").replace("−", "-").split("±")), 0.0)[:2]
    except ValueError:
        raise ValueError(str(fill(messages.NO_AIM, words))) from None
    return stated(profile, factor * value, factor * u)


def centre_um(aim: Aim, known: Known, head: int) -> float:
    """Return about what a head is judged, from the alignment disk's zero."""
    if aim.kind is AimKind.AS_FOUND and head and known.apart_um is not None:
        return aim.um + known.apart_um.value
    return aim.um


def aimed_limit(profile: Profile, aim: Aim, known: Known, head: int, *, final: bool) -> Limit:
    """Return how far a head may be from its aim; as found it is judged by the disk's zero."""
    limit = offset_limit(profile, final=final)
    if not final or aim.kind is AimKind.DISK or limit.low is None or limit.high is None:
        return limit
    about_um = centre_um(aim, known, head)
    source = f"{limit.source}; about the aim: {aim}"
    return Limit(limit.low + about_um, limit.high + about_um, limit.unit, source)


def about_aim(aim: Aim, guard: Budget) -> Budget:
    """Return what counts against a limit about an aim, of what counts about the disk's zero.

    What as found and as left have alike counts for nothing of how far the one is from the other.
    """
    if aim.kind is AimKind.DISK:
        return guard
    parts = guard.parts
    if aim.kind in _BY_FOUND:
        parts = tuple(part for part in parts if part.name in _OWN)
    return replace(guard, parts=(*parts, Part(AIM, aim.u_um, unit="µm")))


def room_um(apart_um: Quantity, half_um: float) -> float:
    """Return by how much less than both heads may differ they do; below 0 they cannot both fit."""
    return 2.0 * half_um - abs(apart_um.value)


def apart_words(apart_um: Quantity, half_um: float) -> tuple[str, str]:
    """Return in words how far the heads are apart, and how far each may be off."""
    return f"{abs(apart_um.value):.1f}", f"{half_um:.1f}"


def aim_words(profile: Profile, aim: Aim, known: Known) -> str:
    """Return in words where the heads are to be; where their middle is aimed at, each of both."""
    off_um = target_of(profile, aim, known).um - aim.um
    if not off_um:
        return str(aim)
    return str(fill(messages.AIM_OF_BOTH, aim, f"{off_um:+.1f}", f"{-off_um:+.1f}"))


@dataclass(frozen=True, slots=True)
class Target:
    """Where head 0's middle is to go, and what is to be said before a screw is loosened."""

    um: float
    said: Message | None = None


def target_of(profile: Profile, aim: Aim, known: Known) -> Target:
    """Return where to go: the middle of both heads, where that leaves both within their limit.

    What is aimed at from the drive as it was found is of head 0 alone: there its heads stood as far
    apart.
    """
    apart_um = known.apart_um
    half_um = offset_limit(profile, final=True).high
    if apart_um is None or half_um is None or aim.kind in _BY_FOUND:
        return Target(aim.um)
    if abs(apart_um.value) <= _COVERAGE * apart_um.u:
        return Target(aim.um)
    words = apart_words(apart_um, half_um)
    if room_um(apart_um, half_um) < 0.0:
        return Target(aim.um, fill(messages.HEADS_TOO_FAR, *words))
    shares_um = (-apart_um.value / 2.0, apart_um.value / 2.0)
    words += tuple(f"{share:+.1f}" for share in shares_um)
    return Target(aim.um + shares_um[0], fill(messages.MIDDLE_OF_BOTH, *words))
