"""What to do after a check that did not pass."""

from __future__ import annotations

from app.analysis.reading import Message
from app.job.model import CheckName, Outcome, Stage, Verdict

_ADJUST = Message("adjust: nudge the stepper's body until the middle is on the line")
_FAILED = {
    CheckName.CARE: Message(
        "mend the write-protect sensor, prove it again, and only then insert the alignment disk"
    ),
    CheckName.SPEED: Message("trim the speed; where the trimmer does not reach, look to the belt"),
    CheckName.RADIAL: _ADJUST,
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
_UNDECIDED = Message(
    "the limit lies within the uncertainty: seat the disk more often, take more turns, or have the "
    "disk's scale calibrated"
)
_NOT_MEASURED = Message("nothing could be measured: mend what is named, and do the check again")
_NEVER_JUDGED = (CheckName.CARE, CheckName.TRACK_ZERO)


def what_next(outcome: Outcome) -> Message | None:
    """Return what to do after a check, None where there is nothing to be done.

    Parameters
    ----------
    outcome : Outcome
        What it came to.
    """
    if outcome.verdict is Verdict.FAIL:
        if outcome.check is CheckName.RADIAL and outcome.stage is Stage.AS_LEFT:
            return _HEADS_DIFFER if outcome.side else _FAILED[CheckName.LOCK]
        return _FAILED.get(outcome.check)
    if outcome.verdict is Verdict.UNDECIDED and outcome.check not in _NEVER_JUDGED:
        return _NOT_MEASURED if outcome.value is None else _UNDECIDED
    return None
