"""Track zero: what the person sees of the outer stop and of the sensor."""

from __future__ import annotations

from app.analysis.messages import fill
from app.job import messages
from app.job.asking import Check, concluded, on_track
from app.job.bench import Situation
from app.job.checks.care import NO, YES
from app.job.model import Enter, Value, Verdict

_OFF_TRACK = 2
"""By here the sensor has to have let go (common practice)."""


def track_zero(situation: Situation) -> Check:
    """Enter the clearance of the stop, and where the sensor says track 0."""
    yield from on_track(situation, _OFF_TRACK, 0)
    off_key = f"track-zero sensor on track {_OFF_TRACK}"
    off = yield Enter(off_key, fill(messages.SENSOR_OFF, _OFF_TRACK), choices=(YES, NO))
    yield from on_track(situation, 0, 0)
    on = yield Enter("track-zero sensor on track 0", messages.SENSOR_ON, choices=(YES, NO))
    clearance = yield Enter("stop clearance", messages.STOP_CLEARANCE, "mm", 0.0, 10.0)
    details = () if clearance is None else (Value("stop clearance", clearance, unit="mm"),)
    reason = str(fill(messages.SENSOR_RULE, _OFF_TRACK))
    verdict = Verdict.PASS if (on, off) == (YES, NO) else Verdict.FAIL
    if on is None or off is None:
        verdict = Verdict.UNDECIDED
    return concluded(situation, verdict, reason=reason, details=details)
