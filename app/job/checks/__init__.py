"""The checks: each a generator that asks for what it needs and returns what it came to."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from app.job.asking import Check
from app.job.bench import Situation
from app.job.checks.adjust import adjust
from app.job.checks.hysteresis import hysteresis
from app.job.checks.radial import radial
from app.job.model import CheckName

CHECKS: Mapping[CheckName, Callable[[Situation], Check]] = {
    CheckName.RADIAL: radial,
    CheckName.HYSTERESIS: hysteresis,
    CheckName.ADJUST: adjust,
}
