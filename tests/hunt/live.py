"""What a screen shows while the signal runs, held against what is true at that moment."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from tests.hunt import spoilers
from tests.hunt.classes import SINGLE, spoiled
from tests.hunt.draws import BOUNDARY, ENVELOPE, PHASES, RAW, SAMPLES, HuntClass
from tests.hunt.judge import RATIO_FLOOR, Verdict, judge
from tests.hunt.signal import Spoiler, Truth
from tests.hunt.through import Shown

_BACK_S = 0.45
"""A reading is of the newest two turns: what was true of them may be shown."""
_PARKED_WITHIN_S = 0.5
_SETTLED_S = 2.0
"""By then a needle over a plain signal has begun to move."""
_MOST_PARKED = 0.5
"""Where the needle is parked for a larger part of the rest, the signal is called refused."""


def _watched(name: str, spoiler: Spoiler, *sizes: float, **frame: Any) -> HuntClass:
    most = {"turns": (15.0, 22.0), "noisy_share": 0.0, "kinds": RAW, **frame}
    return spoiled(name, spoiler, sizes, is_even=True, **most)


WATCHED = (
    _watched("muted", spoilers.muted, 0.3, 0.6, 0.3, 0.6, kinds=SAMPLES),
    _watched("muted-no-index", spoilers.muted, 0.3, 0.6, 0.3, 0.6, index_share=0.0),
    _watched("silence", spoilers.silence, 0.3, 0.6, 0.3, 0.6, kinds=SAMPLES),
    _watched("stuck-channel", spoilers.stuck, 0.3, 0.6, 0.3, 0.6, kinds=SAMPLES),
    _watched("lost-for-long", spoilers.lost_samples, 0.2, 0.5, 0.2, 0.5, kinds=SAMPLES),
    _watched("away", spoilers.away, 0.3, 0.6, 0.3, 0.6, kinds=SAMPLES),
    _watched(
        "step", spoilers.head_moved, 0.02, 0.3, 0.02, 0.3, both_signs=True, geometries=BOUNDARY
    ),
    _watched(
        "creep", spoilers.head_creeps, 0.02, 0.3, 0.02, 0.3, both_signs=True, geometries=BOUNDARY
    ),
    _watched("index-goes", spoilers.index_lost, 0.3, 0.7, 0.3, 0.7, index_share=1.0),
    _watched("probe-goes", spoilers.one_stuck, 0.3, 0.7, kinds=PHASES),
    _watched("clean-envelope", spoilers.carrier_ripple, 1e-4, 1e-3, 1e-4, 1e-3, kinds=ENVELOPE),
)
"""Classes that are drawn for the live needle alone: what goes away, comes back, and moves."""

LIVE: dict[str, HuntClass] = {
    f"live:{each.name}": each
    for each in (*WATCHED, *SINGLE)
    if not any(kind.is_record for kind in each.frame.kinds)
}
"""All that runs without an end, by the names that the campaign gives them."""


def judge_live(shown: Iterable[Shown], truth: Truth) -> Verdict:
    """Return the verdict on all that was shown: the worst of it."""
    # A note that the head moved is for a capture; the needle itself follows.
    truth = replace(truth, wants_note=False)
    worst = Verdict(valid=False)
    reasons: Counter[tuple[str, ...]] = Counter()
    valid = moments = 0
    for each in shown:
        verdict = _of_moment(each, truth)
        if verdict.parked_late or _is_worse(verdict, worst):
            worst = replace(verdict, parked_late=verdict.parked_late or worst.parked_late)
        if each.time_s < _SETTLED_S or _is_silent(each.time_s, truth):
            continue
        moments += 1
        valid += verdict.valid
        if not verdict.valid:
            reasons[verdict.reasons] += 1
    is_shown = moments == 0 or valid >= (1.0 - _MOST_PARKED) * moments
    common = reasons.most_common(1)[0][0] if reasons and not is_shown else ()
    return replace(worst, valid=is_shown, reasons=common)


def _of_moment(shown: Shown, truth: Truth) -> Verdict:
    if shown.reading is None:
        return Verdict(valid=False, reasons=("nothing is shown yet",))
    then = replace(truth, ratio=truth.between(shown.at_s - _BACK_S, shown.at_s))
    # Of a short stretch the speed is another than that of the whole, and both are true.
    verdict = replace(judge(shown.reading, then), speed=None)
    # Where the head passes the line, or has come to rest on the other side, no side is held.
    if truth.course:
        verdict = replace(verdict, wrong_side=False)
    late = _is_silent(shown.time_s, truth, _PARKED_WITHIN_S)
    return replace(verdict, parked_late=late and (verdict.valid or not verdict.reasons))


def _is_silent(time_s: float, truth: Truth, after_s: float = 0.0) -> bool:
    if truth.silent_s is None:
        return False
    start_s, end_s = truth.silent_s
    return start_s + after_s < time_s < end_s


def _is_worse(one: Verdict, other: Verdict) -> bool:
    """Tell whether one is the graver: a wrong side before all, then the pull beyond the floor."""
    return (one.wrong_side, _grave(one)) > (other.wrong_side, _grave(other))


def _grave(verdict: Verdict) -> float:
    ratio = verdict.ratio
    if ratio is None:
        return -1.0
    return abs(ratio.pull) if abs(ratio.error) > RATIO_FLOOR else 0.0
