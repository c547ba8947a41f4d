"""The table of probes: what is found of each against what its circuit has."""

from dataclasses import dataclass

import numpy as np

from app.analysis.frontend.clock import clock_of
from app.live.loop_check import check_loop
from app.live.source_check import listen
from tests.virtualprobe.behind import CARRIER_HZ, kept_of, reading_behind
from tests.virtualprobe.draws import card_of, drawn, offset_um_of, phases_of, truth_of

CLOCK_S = 180.0


@dataclass(frozen=True)
class Row:
    """Errors of one probe: parts of the corner, of the highest answer, of the clock's rate.

    ``match`` is that of two phases without a detector, ``ratio`` that of a reading behind the
    probe, and ``pull`` the latter by its expanded uncertainty.
    """

    seed: int
    kind: str
    corner: float
    corner_u: float
    threshold: float
    threshold_u: float
    knee: float
    law: float
    clock_ppm: float
    clock_u_ppm: float
    match: float
    ratio: float
    pull: float


def row(seed, clock_s=CLOCK_S):
    """Check one probe."""
    parts, rate_hz, fast_part = drawn(seed)
    card = card_of(seed)
    found = check_loop(card, card, CARRIER_HZ, lambda line: None)
    law, truth = found.detector, truth_of(parts, found.level)
    levels = np.linspace(0.3, 1.0, 50) * found.level
    out_v = parts.gains[0] * parts.static_v(levels * parts.drive_v)
    ratios = np.interp(out_v, law.out_v, law.in_v) / law.in_v[-1]
    clock = None
    if clock_s:
        # The clock alone: nothing is played, and silence need not go through the circuit.
        card.skips_circuit = True
        heard = listen(card, clock_s, clock=lambda: card.now_s)
        clock = clock_of(np.array(heard.ends), np.array(heard.arrivals_s), float(rate_hz))
    reading, true_ratio = reading_behind(
        parts, rate_hz, kept_of(found, rate_hz), offset_um_of(seed)
    )
    assert reading.valid, (seed, *map(str, reading.reasons))
    ratio = reading.ratio.value - true_ratio
    return Row(
        seed=seed,
        kind=parts.kind,
        corner=law.corner_hz / truth.corner_hz - 1,
        corner_u=law.corner_u_hz / truth.corner_hz,
        threshold=(law.threshold_v - truth.threshold_v) / truth.top_v,
        threshold_u=law.threshold_u_v / truth.top_v,
        knee=(law.knee_v - truth.knee_v) / truth.top_v,
        law=float(np.abs(ratios - levels / found.level).max()),
        clock_ppm=0.0 if clock is None else 1e6 * (clock.fast_part - fast_part),
        clock_u_ppm=0.0 if clock is None else 1e6 * clock.u_part,
        match=match_error(seed),
        ratio=ratio,
        pull=ratio / (2.0 * reading.ratio.u),
    )


def match_error(seed):
    """Check two phases without a detector, fed by one output; return the error of their match."""
    card, match = phases_of(seed)
    return check_loop(card, card, CARRIER_HZ, lambda line: None, quick=True).linear.match - match


def lines(seeds):
    """Check the probes of some seeds, yielding the table's text as it comes."""
    yield (
        "seed kind     corner %   (u)  threshold %   (u)  knee %  law %  clock ppm   (u)"
        "  match %    ratio  by 2u"
    )
    rows = []
    for seed in seeds:
        each = row(seed)
        rows.append(each)
        yield (
            f"{each.seed:4d} {each.kind:<8} {100 * each.corner:8.2f} {100 * each.corner_u:5.2f}"
            f" {100 * each.threshold:12.3f} {100 * each.threshold_u:5.3f} {100 * each.knee:7.2f}"
            f" {100 * each.law:6.3f} {each.clock_ppm:10.2f} {each.clock_u_ppm:5.2f}"
            f" {100 * each.match:8.4f} {each.ratio:8.5f} {each.pull:6.2f}"
        )
    for name in ("corner", "threshold", "knee", "law", "clock_ppm", "match", "ratio", "pull"):
        worst = max(rows, key=lambda each: abs(getattr(each, name)))
        yield f"largest {name}: {getattr(worst, name):.5g} at seed {worst.seed}"
