"""What an outcome is judged by, how sure it is, and what to do where it did not pass."""

from __future__ import annotations

from app.analysis.results import Message, Verdict
from app.analysis.uncertainty import judge_within
from app.job.model import ROOM, UNSEEN, CheckName, Limit, Outcome, Stage
from app.profiles import SPECS, Profile


def judge(value: float, expanded_u: float, limit: Limit) -> Verdict:
    """Judge a value against a limit, guarded by its expanded uncertainty (JCGM 106)."""
    return judge_within(value, expanded_u, low=limit.low, high=limit.high)


def source_of(profile: Profile, attribute: str) -> str:
    """Return where a value of the profile comes from."""
    return dict(profile.sources).get(SPECS[attribute].key, "")


def either_side(
    profile: Profile, attribute: str, half: float, unit: str, about: float = 0.0
) -> Limit:
    """Return the limit that allows a value to be `half` to either side of `about`."""
    return Limit(about - half, about + half, unit, source_of(profile, attribute))


def offset_limit(profile: Profile, *, final: bool) -> Limit:
    """Return how far from the line the head may be, in micrometres.

    The class states it as the difference 1 − r of the lobes: b = d/(2 − d), and x = S·b.

    `final` is the limit to set to, otherwise the wider one to check by.
    """
    attribute = "set_limit" if final else "check_limit"
    difference = getattr(profile, attribute)
    half_um = profile.scale_um * difference / (2.0 - difference)
    return either_side(profile, attribute, half_um, "µm")


def near(profile: Profile, um: float) -> float:
    """Return a distance from the line, no more than half of what the class is set to."""
    limit = offset_limit(profile, final=True)
    return um if limit.high is None else min(um, limit.high / 2.0)


_ADJUST = Message("adjust: nudge the stepper's body until the middle is on the line")
_FAILED = {
    CheckName.CARE: Message(
        "mend the write-protect sensor, prove it again, and only then insert the alignment disk"
    ),
    CheckName.SPEED: Message(
        "trim the speed; where there is no trimmer, or it does not reach, look to the belt"
    ),
    CheckName.MECHANICS: Message(
        "mend what is named before a screw is loosened: a head cannot be set on worn mechanics"
    ),
    CheckName.TRACKS: Message(
        "where all tracks are off alike, adjust; a slope is of the rails or the leadscrew, and one "
        "phase alone is of the stepper or its driver: nudging mends neither"
    ),
    CheckName.SEEKS: Message(
        "nudging cannot mend it: free the carriage over the whole stroke, and look to step rate, "
        "band or leadscrew"
    ),
    CheckName.PUSH: Message(
        "nudging cannot mend it: look to the arm's bearing and spring, and to the carriage's guide"
    ),
    CheckName.HYSTERESIS: Message(
        "nudging cannot mend it: clean the rails and look to the band, the leadscrew and its nut"
    ),
    CheckName.ADJUST: Message("do it again; look whether the body binds under its screws"),
    CheckName.LOCK: Message(
        "loosen, adjust and lock again; look to washers, and tighten in smaller steps"
    ),
    CheckName.AZIMUTH: Message(
        "clean the head and measure again; where it stays, the head or its mount is bent"
    ),
    CheckName.INDEX: Message("shift the index sensor, or its timing resistor, and measure again"),
    CheckName.TRACK_ZERO: Message("shift the track-zero sensor, then look at the stop again"),
}
_HEADS_DIFFER = Message(
    "nudging moves both heads: set the middle between them, or have the mount of this one seen to"
)
_HEADS_TOO_FAR = Message(
    "nudging moves both heads alike, and they stand too far apart for it: have the mount of one "
    "seen to, or use the drive on one side alone"
)
_NOT_SEEN = Message(
    "only the hand says that the head came from either side: do it again, and step off the track "
    "and back so that the lobes are seen to go and to come"
)
_UNDECIDED = Message(
    "the limit lies within the uncertainty: seat the disk more often, take more turns, or have the "
    "disk's scale calibrated"
)
_NOT_MEASURED = Message("nothing could be measured: mend what is named, and do the check again")
_NEVER_JUDGED = (CheckName.CARE, CheckName.TRACK_ZERO, CheckName.MECHANICS)
_LIMITLESS = (CheckName.DRIFT,)
"""Whose reason says what to do where it is undecided."""


def what_next(outcome: Outcome) -> Message | None:
    """Return what to do after an outcome, None where there is nothing to be done."""
    if outcome.verdict is Verdict.FAIL:
        is_radial = outcome.check is CheckName.RADIAL
        return _of_radial(outcome) if is_radial else _FAILED.get(outcome.check)
    if outcome.verdict is Verdict.UNDECIDED and outcome.check not in _NEVER_JUDGED:
        if outcome.value is None:
            return _NOT_MEASURED
        if outcome.detail(UNSEEN) is not None:
            return _NOT_SEEN
        return None if outcome.check in _LIMITLESS else _UNDECIDED
    return None


def _of_radial(outcome: Outcome) -> Message:
    """Return what to do where a head is not within its limit."""
    room = outcome.detail(ROOM)
    if room is not None and room.value < 0.0:
        return _HEADS_TOO_FAR
    if outcome.stage is not Stage.AS_LEFT:
        return _ADJUST
    return _HEADS_DIFFER if outcome.side else _FAILED[CheckName.LOCK]
