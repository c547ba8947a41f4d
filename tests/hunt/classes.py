"""The classes of captures that are drawn, and those that are mixed of several spoilers.

A range's third and fourth number are its plain part: to refuse there counts against the
instrument. Ranges go beyond it to both sides, from harmless to gross.
"""

from __future__ import annotations

from functools import partial
from typing import Any

from numpy.random import Generator

from tests.hunt import patterns, spoilers
from tests.hunt.draws import (
    BOUNDARY,
    ENVELOPE,
    EVERY,
    GROUPS,
    ONE_PAIR,
    PHASES,
    RECORDS,
    SAMPLES,
    Frame,
    HuntClass,
    Range,
    groups,
)
from tests.hunt.patterns import Pattern
from tests.hunt.signal import Kind, Spoiler
from tests.hunt.windows import WINDOWS


def clean(name: str, about: str, **frame: Any) -> HuntClass:
    """Return a class in which nothing spoils."""
    return HuntClass(name, about, Frame(**frame))


def spoiled(
    name: str,
    spoiler: Spoiler,
    sizes: tuple[float, ...],
    *,
    is_even: bool = False,
    both_signs: bool = False,
    **frame: Any,
) -> HuntClass:
    """Return a class of one spoiler: `sizes` are low, high, and perhaps the plain part."""
    low, high, *plain = sizes
    of = Range(
        spoiler=spoiler,
        low=low,
        high=high,
        plain=(plain[0], plain[1]) if plain else None,
        is_even=is_even,
        both_signs=both_signs,
    )
    return HuntClass(name, spoiler.about, Frame(**frame), (of,))


def _far_two_band(rng: Generator, balance: float) -> Pattern:
    width = rng.uniform(0.9, 1.5)
    return patterns.two_band(balance, rng.uniform(0.12, 0.38), rng.uniform(0.2, 0.4), width)


def _narrow_lobes(rng: Generator, balance: float) -> Pattern:
    apart = 0.5 + rng.uniform(-0.03, 0.03)
    return patterns.humps(balance, rng.uniform(0.12, 0.3), rng.uniform(0.025, 0.06), apart)


def _lobes_apart(rng: Generator, balance: float) -> Pattern:
    apart = rng.choice([0.4, 0.6]) + rng.uniform(-0.02, 0.02)
    return patterns.humps(balance, rng.uniform(0.12, 0.3), rng.uniform(0.04, 0.07), apart)


def _pairs_of(pairs: int, *fill: float) -> dict[str, Any]:
    return {"pattern": partial(groups, pairs=pairs, fill=fill)}


def _many_groups(rng: Generator, balance: float) -> Pattern:
    return groups(rng, balance, int(rng.integers(10, 19)), (0.6, 0.8))


PLAIN = (
    clean("boundary", "nothing spoils", geometries=("boundary",)),
    clean("two-band", "nothing spoils", geometries=("two-band",)),
    clean("alternating", "nothing spoils", geometries=GROUPS),
    clean("no-index", "nothing spoils, no index", index_share=0.0),
    clean("envelope", "a linear detector, DC-coupled", kinds=ENVELOPE),
    clean("pairs", "records of a differential probe", kinds=(Kind.PAIRS,)),
    clean("phase-pairs", "records of two probes", kinds=(Kind.PHASE_PAIRS,)),
    clean(
        "triggered-pairs", "records at the index, no column of it", kinds=RECORDS, index_share=0.0
    ),
    clean("weak", "0 to 15 dB", snr_db=(0.0, 15.0), noisy_share=0.0),
    clean("uneven-lobes", "balance 0.4 to 0.6", balance=(0.4, 0.6)),
    clean(
        "one-turn",
        "1.05 to 1.3 turns and an index",
        turns=(1.05, 1.25),
        spare=(0.0, 0.05),
        lead=(0.0, 0.04),
        index_share=1.0,
    ),
    clean("two-pairs", "two pairs of groups", **_pairs_of(2, 0.6, 0.95)),
    HuntClass(
        "one-pair-flat", "one pair of flat groups", Frame(**_pairs_of(1, 0.6, 0.95)), is_plain=False
    ),
    clean("many-groups", "10 to 18 pairs, gaps of 20 to 40 %", pattern=_many_groups),
    clean("hardly-a-gap", "groups with a fill of 0.93 to 0.98", **_pairs_of(6, 0.93, 0.98)),
    clean("lobes-apart", "lobes 144 or 216° apart", pattern=_lobes_apart),
    clean("narrow-lobes", "narrow lobes 170 to 190° apart", pattern=_narrow_lobes),
    HuntClass(
        "far-two-band",
        "two-band, balance 0.55 to 0.8",
        Frame(pattern=_far_two_band, balance=(0.55, 0.8)),
        is_plain=False,
    ),
    clean("stated", "the profile states the geometry", is_stated=True),
    clean("stated-groups", "the profile states the pairs", is_stated=True, geometries=GROUPS),
    clean("stated-records", "the profile states the geometry", is_stated=True, kinds=RECORDS),
    clean("stated-envelope", "the profile states the geometry", is_stated=True, kinds=ENVELOPE),
    clean("off-speed", "up to 4 % off the nominal speed", speed_part=0.04),
)
"""Where nothing spoils."""

_GAIN = (
    spoiled("drift", spoilers.gain_drift, (0.003, 0.3, 0.003, 0.1), both_signs=True, turns=(3, 8)),
    spoiled("fade", spoilers.fade, (0.5, 0.99, 0.9, 0.99), is_even=True),
    spoiled("jump", spoilers.gain_jump, (0.003, 0.5, 0.003, 0.1), both_signs=True),
    spoiled(
        "jump-few-turns", spoilers.gain_jump, (0.01, 0.3, 0.01, 0.1), both_signs=True, turns=(3, 5)
    ),
    spoiled("flutter", spoilers.flutter, (0.002, 0.2, 0.002, 0.03)),
    spoiled("uneven-disk", spoilers.uneven_disk, (0.003, 0.2, 0.003, 0.1)),
    spoiled("uneven-boundary", spoilers.uneven_disk, (0.05, 0.12, 0.05, 0.1), geometries=BOUNDARY),
    spoiled("uneven-twice", spoilers.uneven_twice, (0.003, 0.2, 0.003, 0.05)),
    spoiled("splice", spoilers.splice, (0.001, 0.03, 0.001, 0.01), geometries=EVERY),
    spoiled("drop-outs", spoilers.drop_outs, (0.3, 10, 0.3, 3)),
    spoiled(
        "groups-drift",
        spoilers.gain_drift,
        (0.01, 0.3, 0.01, 0.1),
        both_signs=True,
        geometries=GROUPS,
    ),
    spoiled(
        "envelope-drift",
        spoilers.gain_drift,
        (0.01, 0.3, 0.01, 0.1),
        both_signs=True,
        kinds=ENVELOPE,
    ),
    spoiled(
        "record-drift", spoilers.gain_drift, (0.01, 0.3, 0.01, 0.1), both_signs=True, kinds=RECORDS
    ),
)

_PLACE = (
    spoiled("azimuth", spoilers.azimuth_fill, (0.01, 0.4, 0.01, 0.25), geometries=BOUNDARY),
    spoiled("residual", spoilers.residual, (0.002, 0.1), geometries=("two-band", "alternating")),
    spoiled("residual-boundary", spoilers.residual, (0.002, 0.1), geometries=BOUNDARY),
    spoiled("beat", spoilers.beat, (0.003, 0.3), both_signs=True, geometries=BOUNDARY),
    spoiled("head-moved", spoilers.head_moved, (0.01, 0.2), both_signs=True, geometries=BOUNDARY),
    spoiled(
        "head-creeps", spoilers.head_creeps, (0.003, 0.2), both_signs=True, geometries=BOUNDARY
    ),
    spoiled("narrow-head", spoilers.narrow_head, (0.7, 0.99), is_even=True, geometries=BOUNDARY),
    spoiled(
        "narrow-head-even",
        spoilers.narrow_head,
        (0.7, 0.99),
        is_even=True,
        geometries=BOUNDARY,
        balance=(0.0, 0.1),
    ),
)

_WAVE = (
    spoiled("hum", spoilers.hum, (0.01, 3, 0.01, 1)),
    spoiled("third-harmonic", spoilers.third_harmonic, (0.02, 0.3, 0.02, 0.2)),
    spoiled("second-harmonic", spoilers.second_harmonic, (0.01, 0.3, 0.01, 0.1)),
    spoiled(
        "record-second-harmonic", spoilers.second_harmonic, (0.01, 0.2, 0.01, 0.1), kinds=RECORDS
    ),
    spoiled(
        "record-third-harmonic", spoilers.third_harmonic, (0.01, 0.2, 0.01, 0.1), kinds=RECORDS
    ),
    spoiled("saturation", spoilers.saturation, (0.001, 0.15, 0.001, 0.004)),
    spoiled(
        "saturation-quiet",
        spoilers.saturation,
        (0.003, 0.05),
        snr_db=(40, 50),
        noisy_share=0,
        turns=(3, 4),
    ),
    spoiled("spikes", spoilers.spikes, (1, 30, 1, 20)),
    spoiled("stray-tone", spoilers.stray_tone, (0.01, 0.5, 0.01, 0.05)),
    spoiled("differentiator", spoilers.differentiator, (0.1, 1.0, 0.1, 1.0)),
    spoiled("red-noise", spoilers.red_noise, (0.01, 1, 0.01, 0.3)),
    spoiled("record-hum", spoilers.hum, (0.003, 0.3, 0.003, 0.02), kinds=RECORDS),
    spoiled("record-spikes", spoilers.spikes, (0.5, 10, 0.5, 2), kinds=RECORDS),
    spoiled("record-saturation", spoilers.saturation, (0.001, 0.1), kinds=RECORDS),
)

_PROBES = (
    spoiled("mismatch", spoilers.mismatch, (0.005, 0.3, 0.005, 0.2), kinds=PHASES),
    spoiled("skew", spoilers.skew, (0.005, 0.2, 0.005, 0.1), kinds=PHASES),
    spoiled("common-hum", spoilers.common_hum, (0.05, 10, 0.05, 3), kinds=PHASES),
    spoiled("steady", spoilers.offset, (0.05, 10, 0.05, 5)),
    spoiled("dead-phase", spoilers.dead_phase, (1e-4, 0.05), kinds=PHASES),
    spoiled("both-on-one", spoilers.both_on_one, (1e-3, 0.1), kinds=PHASES),
    spoiled("index-crosstalk", spoilers.index_crosstalk, (0.05, 5, 0.05, 2)),
    spoiled(
        "record-mismatch", spoilers.mismatch, (0.01, 0.2, 0.01, 0.1), kinds=(Kind.PHASE_PAIRS,)
    ),
    spoiled(
        "record-common-hum", spoilers.common_hum, (0.01, 0.5, 0.01, 0.02), kinds=(Kind.PHASE_PAIRS,)
    ),
    spoiled("record-steady", spoilers.offset, (0.01, 1, 0.01, 0.2), kinds=RECORDS),
)

_CONVERTER = (
    spoiled("clipping", spoilers.clipping, (0.8, 1.05), is_even=True),
    spoiled(
        "clipping-light",
        spoilers.clipping,
        (0.94, 0.995),
        is_even=True,
        snr_db=(40, 50),
        noisy_share=0,
        turns=(3, 4),
    ),
    spoiled(
        "clipping-groups",
        spoilers.clipping,
        (0.8, 0.99),
        is_even=True,
        geometries=GROUPS,
        balance=(0.0, 0.08),
    ),
    spoiled("one-rail", spoilers.one_rail, (0.8, 1.05), is_even=True),
    spoiled("record-clipping", spoilers.clipping, (0.8, 1.05), is_even=True, kinds=RECORDS),
    spoiled("few-codes", spoilers.codes, (6, 64, 6, 64), snr_db=(40, 50), noisy_share=0),
    spoiled("codes", spoilers.codes, (16, 256, 16, 256)),
    spoiled("envelope-codes", spoilers.codes, (16, 256, 16, 256), kinds=ENVELOPE),
    spoiled(
        "pairs-codes",
        spoilers.codes,
        (16, 256, 32, 256),
        kinds=(Kind.PAIRS,),
        snr_db=(40, 50),
        noisy_share=0,
    ),
    spoiled(
        "phase-pairs-codes",
        spoilers.codes,
        (16, 256, 32, 256),
        kinds=(Kind.PHASE_PAIRS,),
        snr_db=(40, 50),
        noisy_share=0,
    ),
    spoiled(
        "record-codes-noisy",
        spoilers.codes,
        (16, 256, 32, 256),
        kinds=RECORDS,
        snr_db=(15, 30),
        noisy_share=0,
    ),
    spoiled("muted-part", spoilers.muted, (0.01, 0.6)),
    spoiled("silence-part", spoilers.silence, (0.01, 0.6)),
    spoiled("away-part", spoilers.away, (0.01, 0.6), kinds=SAMPLES),
    spoiled("one-stuck", spoilers.one_stuck, (0.05, 0.9), kinds=PHASES),
    spoiled("lost-samples", spoilers.lost_samples, (0.0003, 0.1, 0.0003, 0.05), turns=(5, 12)),
    spoiled("stuck", spoilers.stuck, (0.05, 0.9), kinds=SAMPLES),
    spoiled("envelope-clipping", spoilers.clipping, (0.8, 1.05), is_even=True, kinds=ENVELOPE),
)

_INDEX = (
    spoiled("index-lost", spoilers.index_lost, (0.1, 0.9), index_share=1.0),
    spoiled("index-jitter", spoilers.index_jitter, (1e-6, 2e-3, 1e-6, 1e-4), index_share=1.0),
    spoiled(
        "index-missing",
        spoilers.index_missing,
        (0.05, 0.7, 0.05, 0.3),
        index_share=1.0,
        turns=(5, 12),
    ),
    spoiled(
        "index-opposite", spoilers.second_pulse_opposite, (0.2, 1.0), is_even=True, index_share=1.0
    ),
    spoiled("index-twice", spoilers.second_pulse, (0.2, 1.0), is_even=True, index_share=1.0),
    spoiled("index-bounce", spoilers.index_bounce, (1, 12, 1, 6), index_share=1.0),
    spoiled("index-glitches", spoilers.index_glitches, (0.2, 5, 0.2, 1), index_share=1.0),
    spoiled("index-long", spoilers.index_length, (0.02, 0.6, 0.02, 0.3), index_share=1.0),
    spoiled("index-slow", spoilers.index_slow_edges, (1e-5, 3e-3, 1e-5, 1e-3), index_share=1.0),
    spoiled("index-hum", spoilers.index_hum, (0.01, 0.4, 0.01, 0.2), index_share=1.0),
    spoiled(
        "record-index-jitter",
        spoilers.index_jitter,
        (1e-6, 1e-3, 1e-6, 1e-4),
        index_share=1.0,
        kinds=RECORDS,
    ),
    spoiled(
        "record-index-opposite",
        spoilers.second_pulse_opposite,
        (0.2, 1.0),
        is_even=True,
        index_share=1.0,
        kinds=RECORDS,
    ),
    spoiled("record-free", spoilers.free_trigger, (1, 2, 1, 2), index_share=0.0, kinds=RECORDS),
)

_MOTION = (
    spoiled("wow", spoilers.wow, (3e-4, 0.03, 3e-4, 0.01)),
    spoiled("wow-no-index", spoilers.wow, (3e-4, 0.03, 3e-4, 0.005), index_share=0.0),
    spoiled("wow-once", spoilers.once_a_turn_wow, (3e-4, 0.03, 3e-4, 0.01)),
    spoiled("speed-drift", spoilers.speed_drift, (3e-4, 0.03, 3e-4, 0.01), both_signs=True),
    spoiled("clock", spoilers.clock_error, (1e-6, 3e-4, 1e-6, 1e-4), both_signs=True),
    spoiled("record-wow", spoilers.wow, (3e-4, 0.02, 3e-4, 0.005), kinds=RECORDS),
    spoiled("envelope-wow", spoilers.wow, (3e-4, 0.02, 3e-4, 0.005), kinds=ENVELOPE),
    spoiled(
        "record-clock",
        spoilers.clock_error,
        (1e-6, 3e-4, 1e-6, 1e-4),
        both_signs=True,
        kinds=RECORDS,
    ),
)

_DETECTOR = (
    spoiled("coupled", spoilers.coupled, (0.5, 20, 1, 10), kinds=ENVELOPE),
    spoiled(
        "coupled-groups", spoilers.coupled, (0.5, 20, 1, 10), kinds=ENVELOPE, geometries=GROUPS
    ),
    spoiled(
        "corner-misstated",
        spoilers.corner_misstated,
        (0.003, 0.4, 0.003, 0.2),
        kinds=ENVELOPE,
        both_signs=True,
    ),
    spoiled("corner-unstated", spoilers.corner_unstated, (0.05, 20), kinds=ENVELOPE),
    spoiled(
        "card-offset",
        spoilers.offset_behind_coupling,
        (2e-4, 0.1, 2e-4, 0.01),
        kinds=ENVELOPE,
        both_signs=True,
    ),
    spoiled("second-corner", spoilers.second_corner, (0.01, 5, 0.01, 0.5), kinds=ENVELOPE),
    spoiled("knee", spoilers.soft_knee, (0.002, 0.2), kinds=ENVELOPE),
    spoiled("threshold-unstated", spoilers.detector_threshold, (0.002, 0.4), kinds=ENVELOPE),
    spoiled("threshold", spoilers.threshold_stated, (0.005, 0.3, 0.005, 0.2), kinds=ENVELOPE),
    spoiled(
        "threshold-misstated",
        spoilers.threshold_misstated,
        (0.01, 1.0),
        kinds=ENVELOPE,
        both_signs=True,
    ),
    spoiled("upside-down", spoilers.upside_down, (2, 10), kinds=ENVELOPE, geometries=ONE_PAIR),
    spoiled(
        "upside-down-even",
        spoilers.upside_down,
        (2, 10),
        kinds=ENVELOPE,
        geometries=ONE_PAIR,
        balance=(0, 0.04),
    ),
    spoiled("upside-down-groups", spoilers.upside_down, (2, 10), kinds=ENVELOPE, geometries=GROUPS),
    spoiled("upside-down-dc", spoilers.upside_down, (0, 0), is_even=True, kinds=ENVELOPE),
    spoiled("envelope-hum", spoilers.hum, (0.001, 0.1, 0.001, 0.01), kinds=ENVELOPE),
    spoiled(
        "envelope-rectified-hum", spoilers.rectified_hum, (0.001, 0.1, 0.001, 0.01), kinds=ENVELOPE
    ),
    spoiled(
        "detector-offset",
        spoilers.detector_offset,
        (0.001, 0.1, 0.001, 0.01),
        kinds=ENVELOPE,
        both_signs=True,
    ),
    spoiled(
        "coupled-no-gap", spoilers.coupled, (2, 10), kinds=ENVELOPE, **_pairs_of(6, 0.93, 0.99)
    ),
    clean(
        "envelope-no-gap",
        "groups with hardly a gap, DC-coupled",
        kinds=ENVELOPE,
        **_pairs_of(6, 0.93, 0.98),
    ),
    clean(
        "envelope-two-pairs",
        "two pairs behind a detector",
        kinds=ENVELOPE,
        **_pairs_of(2, 0.6, 0.93),
    ),
    spoiled("slow-detector", spoilers.slow_detector, (1e-4, 0.1, 1e-4, 1e-3), kinds=ENVELOPE),
    spoiled("carrier-ripple", spoilers.carrier_ripple, (0.005, 0.3, 0.005, 0.05), kinds=ENVELOPE),
    spoiled("logarithmic", spoilers.logarithmic, (0.8, 3), kinds=ENVELOPE),
    spoiled("envelope-uneven", spoilers.uneven_disk, (0.003, 0.2, 0.003, 0.05), kinds=ENVELOPE),
    spoiled(
        "envelope-jump",
        spoilers.gain_jump,
        (0.003, 0.3, 0.003, 0.1),
        kinds=ENVELOPE,
        both_signs=True,
    ),
)

SINGLE: tuple[HuntClass, ...] = (
    *PLAIN,
    *_GAIN,
    *_PLACE,
    *_WAVE,
    *_PROBES,
    *_CONVERTER,
    *_INDEX,
    *_MOTION,
    *_DETECTOR,
    *WINDOWS,
)
"""Every class of at most one spoiler."""
