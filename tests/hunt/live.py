"""What a screen shows while the signal runs, held against what is true at that moment."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from tests.hunt import bench, spoilers, unforeseen
from tests.hunt.classes import SINGLE, spoiled
from tests.hunt.draws import (
    BOUNDARY,
    ENVELOPE,
    ONE_PAIR,
    PHASES,
    RAW,
    SAMPLES,
    Frame,
    HuntClass,
)
from tests.hunt.further import NearRate
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


def _at_bench(name: str, spoiler: Spoiler, *sizes: float, **frame: Any) -> HuntClass:
    return _watched(name, spoiler, *sizes, **{"turns": (22.0, 27.0), **frame})


_HEAD = {"geometries": BOUNDARY}
_INDEXED = {"index_share": 1.0}
_NEAR = Frame(turns=(15.0, 22.0), noisy_share=0.0)

FURTHER_LIVE = (
    _at_bench("hand-on-spindle", bench.hand_on_spindle, 0.3, 0.98, 0.9, 0.98),
    _at_bench("speed-switched", bench.speed_switched, 0.01, 0.2, 0.01, 0.03, both_signs=True),
    _at_bench("belt-joint", bench.belt_joint, 0.003, 0.06, 0.003, 0.01),
    _at_bench(
        "hub-slips", bench.hub_slips, 0.01, 0.06, 0.01, 0.06, both_signs=True, geometries=ONE_PAIR
    ),
    _at_bench("trembles", bench.trembles, 0.005, 0.05, 0.005, 0.03, **_HEAD),
    _at_bench("pushed", bench.pushed, 0.01, 0.1, both_signs=True, **_HEAD),
    _at_bench("tapped", bench.tapped, 0.02, 0.3, both_signs=True, **_HEAD),
    _at_bench("past-and-back", bench.past_and_back, 0.02, 0.3, **_HEAD),
    _at_bench("pushed-and-weaker", bench.pushed_and_weaker, 0.005, 0.1, **_HEAD),
    _at_bench("unloaded", bench.unloaded, 0.3, 1.5, 0.3, 1.5, **_HEAD),
    _at_bench("disk-changed", bench.disk_changed, 0.7, 1.5, 0.7, 1.0, **_HEAD),
    _at_bench("pad-bounces", bench.pad_bounces, 1.0, 30.0, 1.0, 30.0, kinds=SAMPLES),
    _at_bench("mains-dips", bench.mains_dips, 0.02, 0.2, kinds=SAMPLES),
    _at_bench("scratch", bench.scratch, 0.005, 0.12, kinds=SAMPLES),
    _at_bench("neighbour", bench.neighbour, 0.01, 0.4, 0.01, 0.1, geometries=ONE_PAIR),
    _at_bench("phone", bench.phone, 0.02, 1.0, 0.02, 0.1),
    _at_bench("touched", bench.touched, 0.05, 3.0, 0.05, 2.0),
    _at_bench("touched-envelope", bench.touched, 0.01, 0.5, kinds=ENVELOPE),
    _at_bench("noisy-spell", bench.noisy_spell, 0.05, 2.0, kinds=SAMPLES),
    _at_bench("probe-slips", bench.probe_slips, 0.003, 0.09, kinds=PHASES),
    _at_bench("probe-rubs", bench.probe_rubs, 0.01, 0.1, kinds=PHASES),
    _at_bench("wrong-point", bench.wrong_point, 0.5, 1.5, 0.5, 1.5, kinds=PHASES),
    _at_bench("gain-knob", bench.gain_knob, 1.1, 5.0, 1.1, 5.0, kinds=SAMPLES),
    _at_bench("gain-turned", bench.gain_turned, 0.1, 3.0, 0.1, 3.0, kinds=SAMPLES),
    _at_bench("offset-knob", bench.offset_knob, 0.1, 5.0, 0.1, 5.0, both_signs=True),
    _at_bench("drifts-to-rail", bench.drifts_to_rail, 0.0, 0.2),
    _at_bench("stutters", bench.stutters, 0.001, 0.03, 0.001, 0.01, kinds=SAMPLES),
    _at_bench("lost-untold", unforeseen.unmarked_loss, 1e-3, 30e-3, both_signs=True, kinds=SAMPLES),
    _at_bench("index-doubles", bench.index_doubles, 0.3, 2.0, 0.3, 2.0, **_INDEXED),
    _at_bench("index-rings", bench.index_rings, 1e-4, 6e-3, 1e-4, 6e-4, **_INDEXED),
    _at_bench("hard-sectored", bench.hard_sectored, 9.5, 16.5, **_INDEXED),
    _at_bench("index-comes", bench.index_comes, 0.2, 0.5, 0.2, 0.5, **_INDEXED),
    NearRate("near-fraction", "a carrier near a fraction of the rate", _NEAR),
)
"""Classes of the live needle that were written after the analysis."""

LIVE: dict[str, HuntClass] = {
    f"live:{each.name}": each
    for each in (*WATCHED, *FURTHER_LIVE, *SINGLE)
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
