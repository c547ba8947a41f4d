"""Limits of the class, and verdicts guarded by the expanded uncertainty."""

from __future__ import annotations

from app.analysis.statistics.verdict import judge_within
from app.job.model import Limit, Verdict
from app.profiles import SPECS, Profile


def judge(value: float, u: float, limit: Limit) -> Verdict:
    """Judge a value against a limit, guarded by twice its standard uncertainty (JCGM 106)."""
    found = judge_within(value, 2.0 * u, low=limit.low, high=limit.high)
    return Verdict(found.value)


def source_of(profile: Profile, attribute: str) -> str:
    """Return where a value of the profile comes from."""
    return dict(profile.sources).get(SPECS[attribute].key, "")


def either_side(profile: Profile, attribute: str, half: float, unit: str, about: float) -> Limit:
    """Return the limit that allows a value to be `half` to either side of `about`."""
    return Limit(about - half, about + half, unit, source_of(profile, attribute))


def offset_limit(profile: Profile, *, final: bool) -> Limit:
    """Return how far from the line the head may be, in micrometres.

    The class states it as the difference 1 − r of the lobes: b = d/(2 − d), and x = S·b.

    Parameters
    ----------
    profile : Profile
        The class and its disk.
    final : bool
        The limit to set to, otherwise the wider one to check by.
    """
    attribute = "set_limit" if final else "check_limit"
    difference = getattr(profile, attribute)
    half_um = profile.scale_um * difference / (2.0 - difference)
    return either_side(profile, attribute, half_um, "µm", 0.0)


def near(profile: Profile, um: float) -> float:
    """Return a distance from the line, no more than half of what the class is set to."""
    limit = offset_limit(profile, final=True)
    return um if limit.high is None else min(um, limit.high / 2.0)
