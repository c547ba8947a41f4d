"""The checks: each a generator that asks for what it needs and returns its outcome."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from app.job.checks.adjust import adjust, lock
from app.job.checks.calibrate import scale, working_disk, zero
from app.job.checks.centre import centre
from app.job.checks.common import Check
from app.job.checks.heads import azimuth, index_timing, output
from app.job.checks.mechanics import mechanics
from app.job.checks.prepare import care, seating, track_zero
from app.job.checks.radial import hysteresis, push, radial, seeks
from app.job.checks.speed import speed
from app.job.checks.stroke import tracks
from app.job.checks.watch import drift
from app.job.model import CheckName, Situation

CHECKS: Mapping[CheckName, Callable[[Situation], Check]] = {
    CheckName.CARE: care,
    CheckName.MECHANICS: mechanics,
    CheckName.SPEED: speed,
    CheckName.DRIFT: drift,
    CheckName.SEATING: seating,
    CheckName.RADIAL: radial,
    CheckName.TRACKS: tracks,
    CheckName.HYSTERESIS: hysteresis,
    CheckName.SEEKS: seeks,
    CheckName.PUSH: push,
    CheckName.ADJUST: adjust,
    CheckName.LOCK: lock,
    CheckName.AZIMUTH: azimuth,
    CheckName.INDEX: index_timing,
    CheckName.OUTPUT: output,
    CheckName.TRACK_ZERO: track_zero,
    CheckName.CENTRE: centre,
    CheckName.SCALE: scale,
    CheckName.ZERO: zero,
    CheckName.WORKING_DISK: working_disk,
}
