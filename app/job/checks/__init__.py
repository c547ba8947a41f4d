"""The checks: each a generator that asks for what it needs and returns what it came to."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from app.job.asking import Check
from app.job.bench import Situation
from app.job.checks.adjust import adjust
from app.job.checks.bursts import azimuth, index_timing
from app.job.checks.care import care
from app.job.checks.hysteresis import hysteresis
from app.job.checks.lock import lock
from app.job.checks.output import output
from app.job.checks.radial import radial
from app.job.checks.seating import seating
from app.job.checks.speed import speed
from app.job.checks.track_zero import track_zero
from app.job.model import CheckName

CHECKS: Mapping[CheckName, Callable[[Situation], Check]] = {
    CheckName.CARE: care,
    CheckName.SPEED: speed,
    CheckName.SEATING: seating,
    CheckName.RADIAL: radial,
    CheckName.HYSTERESIS: hysteresis,
    CheckName.ADJUST: adjust,
    CheckName.LOCK: lock,
    CheckName.AZIMUTH: azimuth,
    CheckName.INDEX: index_timing,
    CheckName.OUTPUT: output,
    CheckName.TRACK_ZERO: track_zero,
}
