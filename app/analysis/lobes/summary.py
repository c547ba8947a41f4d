"""The reading over a whole capture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from app.analysis import messages
from app.analysis.envelope.series import EnvelopeSeries, SignalPath
from app.analysis.envelope.setup import Setup
from app.analysis.lobes.heights import (
    Heights,
    LobeFits,
    balance_of,
    far_off,
    invalid,
    mean_turn,
    sign_of,
    with_balance,
)
from app.analysis.lobes.layout import Layout, characterise, find_layout, refine_layout
from app.analysis.lobes.turns import LobeTime, Turn
from app.analysis.results import Geometry, Message, Quantity, Reading, Sign
from app.analysis.uncertainty import CLOCK_PART, excess_u, scatter_u

_METHOD_U = 2.5e-4
"""Standard uncertainty of the balance that the method itself leaves, whatever the noise: from the
accuracy table of tests/benchmarks."""
_CHARACTER_TURNS = 8
_OFF_SPEED = 0.02
_PATTERN_PLACE_U = 0.01
_OFF_CARRIER = 0.05


@dataclass(frozen=True, slots=True)
class Capture:
    """All that a summary is made of."""

    setup: Setup
    path: SignalPath
    series: EnvelopeSeries
    turns: tuple[Turn, ...]
    lobe_times: tuple[LobeTime, ...]
    by_index: bool
    pairs: int | None
    lobes_a_turn: int
    sense: int | None
    taught: bool
    clipped: bool
    notes: tuple[Message, ...]
    first_index: int
    end_index: int


def summarise(capture: Capture) -> Reading:
    """Return the reading over all whole turns of a capture."""
    turns = [turn for turn in capture.turns if _is_whole(capture.series, turn)]
    reading = _without_lobes(capture, turns)
    if not turns:
        return invalid(reading, messages.NO_WHOLE_TURN if capture.turns else messages.NO_LOCK)
    mean = mean_turn(capture.series, turns)
    found = find_layout(mean, capture.pairs) if mean is not None else None
    if mean is None or found is None:
        return invalid(reading, messages.NO_PATTERN)
    if found.lone is not None:
        return far_off(reading, found.lone < 0.5, capture.sense if capture.by_index else None)
    layout = refine_layout(found, mean, capture.series, turns)
    fits = layout.fit(capture.series, turns)
    measured = measure_heights(fits, layout, capture.path.height_u_v)
    if measured is None:
        return invalid(reading, messages.NO_PATTERN)
    heights, used = measured
    return _with_lobes(capture, turns, layout, heights, replace(reading, revolutions=used))


def _without_lobes(capture: Capture, turns: Sequence[Turn]) -> Reading:
    """Return what stands whatever the lobes: turns, speed, carrier, and what the signal suffers."""
    setup = capture.setup
    notes = list(capture.notes)
    if len(turns) < len(capture.turns):
        notes.append(messages.fill(messages.TURNS_DROPPED, len(capture.turns) - len(turns)))
    speed = speed_of(turns, setup.sample_rate_hz, capture.lobe_times, capture.lobes_a_turn)
    carrier = carrier_of(capture.series, turns)
    if _pairs_are_guessed(capture):
        notes.append(messages.SPEED_BY_PROFILE)
    notes += off_profile(setup, speed, carrier)
    clipped = bool(turns) and (
        capture.clipped or capture.path.clipped_between(turns[0].start_frame, turns[-1].end_frame)
    )
    return Reading(
        valid=True,
        reasons=(messages.CLIPPED,) if clipped else (),
        notes=tuple(notes),
        first_index=capture.first_index,
        end_index=capture.end_index,
        revolutions=len(turns),
        speed_rpm=speed,
        carrier_hz=carrier,
        sign=sign_of(capture.sense, taught=capture.taught),
        calibrated=setup.calibrated,
    )


def _with_lobes(
    capture: Capture,
    turns: Sequence[Turn],
    layout: Layout,
    heights: Heights,
    reading: Reading,
) -> Reading:
    """Complete the reading by the lobes, or say why they cannot be read."""
    setup = capture.setup
    first_v, second_v = heights.first_v.value, heights.second_v.value
    geometry, reason = _character(capture.series, turns, layout, (first_v, second_v), setup)
    notes, reasons = list(reading.notes), list(reading.reasons)
    speed, sense, sign = reading.speed_rpm, capture.sense, reading.sign
    if layout.pairs > 1:
        notes.append(messages.fill(messages.PAIRS, layout.pairs))
    if _pairs_are_guessed(capture) and speed is not None:
        # Half a pair more or less in the turn would fit the nominal speed no worse.
        wide = speed.value / (2.0 * layout.pairs) / np.sqrt(3.0)
        speed = Quantity(speed.value, float(np.hypot(speed.u, wide)))
    if reason is not None:
        reasons.append(reason)
        speed = speed if capture.by_index else None
    if capture.by_index and layout.is_at_index:
        notes.append(messages.LOBE_AT_INDEX)
        sense, sign = None, Sign.UNKNOWN
    completed = replace(
        reading,
        reasons=tuple(reasons),
        notes=tuple(notes),
        geometry=geometry,
        speed_rpm=speed,
        snr_db=snr_of(capture.path, max(first_v, second_v)),
        sign=sign,
    )
    return with_balance(completed, heights, sense, setup)


def _pairs_are_guessed(capture: Capture) -> bool:
    """Tell whether the pairs a turn come from the nominal speed alone."""
    return capture.lobes_a_turn > 2 and capture.setup.pairs is None


def measure_heights(
    fits: LobeFits, layout: Layout, shared_u_v: float = 0.0
) -> tuple[Heights, int] | None:
    """Return mean heights and balance over all turns of which every lobe was measured.

    Parameters
    ----------
    fits, layout : LobeFits, Layout
        The lobes.
    shared_u_v : float
        Standard uncertainty that all heights share.

    Returns
    -------
    tuple of Heights and int, or None
        The heights and the number of turns used; None when there is no such turn.
    """
    lobes = len(layout.centres)
    whole = fits.ok.reshape(-1, lobes).all(axis=1)
    used = int(np.count_nonzero(whole))
    if not used:
        return None
    height = fits.height_v.reshape(-1, lobes)[whole].reshape(used, -1, 2)
    u = fits.u_v.reshape(-1, lobes)[whole].reshape(used, -1, 2)
    a_turn = height.mean(axis=1)
    u_turn = np.sqrt(np.sum(u**2, axis=1)) / layout.pairs
    mean = a_turn.mean(axis=0)
    u_noise = np.sqrt(np.sum(u_turn**2, axis=0)) / used
    first, second = (
        Quantity(
            float(mean[k]),
            float(
                np.sqrt(
                    u_noise[k] ** 2
                    + excess_u(a_turn[:, k], u_turn[:, k]) ** 2
                    + (_METHOD_U * mean[k]) ** 2
                    + shared_u_v**2
                )
            ),
        )
        for k in (0, 1)
    )
    if first.value + second.value <= 0.0:
        return None
    balance = _balance(a_turn, u_turn, mean, u_noise)
    # Both heights moved alike change their sum, and with it the balance that there is.
    shared = 2.0 * abs(balance.value) * shared_u_v / float(mean.sum())
    balance = Quantity(balance.value, float(np.hypot(balance.u, shared)))
    return Heights(first, second, balance), used


def _balance(
    a_turn: NDArray[np.float64],
    u_turn: NDArray[np.float64],
    mean: NDArray[np.float64],
    u_noise: NDArray[np.float64],
) -> Quantity:
    """Return the balance of mean heights; scatter that both lobes share does not count."""
    total = a_turn.sum(axis=1)
    each = (a_turn[:, 0] - a_turn[:, 1]) / total
    u_each = 2.0 * np.hypot(a_turn[:, 1] * u_turn[:, 0], a_turn[:, 0] * u_turn[:, 1]) / total**2
    noise = 2.0 * np.hypot(mean[1] * u_noise[0], mean[0] * u_noise[1]) / mean.sum() ** 2
    u = np.sqrt(noise**2 + excess_u(each, u_each) ** 2 + _METHOD_U**2)
    return Quantity(balance_of(float(mean[0]), float(mean[1])), float(u))


def speed_of(
    turns: Sequence[Turn],
    sample_rate_hz: float,
    lobe_times: Sequence[LobeTime] = (),
    lobes_a_turn: int = 0,
) -> Quantity | None:
    """Return the mean speed over turns, in revolutions a minute.

    With `lobe_times` (no index) the lobes' own places tell it, from the mean place of the first
    turn's lobes to that of the last's; otherwise the turns' lengths are averaged.
    """
    if not turns:
        return None
    low, high = turns[0].start_frame, turns[-1].end_frame
    inside = [time for time in lobe_times if low <= time.frame <= high]
    lengths = np.array([turn.frames for turn in turns])
    if lobes_a_turn and len(inside) >= 2 * lobes_a_turn:
        frames, u = _turn_by_lobes(inside, lobes_a_turn)
    else:
        frames = float(lengths.mean())
        # One frame's width, rectangular, at either end of the run.
        edges = np.sqrt(2.0 / 12.0) / len(lengths)
        if lobes_a_turn:
            # So few lobes give no scatter: their places are good to some hundredths of a turn.
            edges = _PATTERN_PLACE_U * frames / len(lengths)
        u = float(np.hypot(edges, scatter_u(lengths) if len(lengths) > 1 else 0.0))
    speed = 60.0 * sample_rate_hz / frames
    return Quantity(float(speed), float(speed * np.hypot(u / frames, CLOCK_PART)))


def _turn_by_lobes(times: Sequence[LobeTime], a_turn: int) -> tuple[float, float]:
    """Return the mean length of a turn in frames, and its standard uncertainty.

    A line fitted to all places would weigh the middle of the run the most, where the speed may
    be another than at its ends; its residuals tell how uncertain one place is.
    """
    count = np.array([time.count for time in times], dtype=np.float64)
    frame = np.array([time.frame for time in times])
    turns = (count[-a_turn:].mean() - count[:a_turn].mean()) / a_turn
    frames = (frame[-a_turn:].mean() - frame[:a_turn].mean()) / turns
    rest = frame - np.polyval(np.polyfit(count, frame, min(3, len(count) - 2)), count)
    one_u = np.sqrt(np.sum(rest**2) / max(len(count) - 4, 1))
    return float(frames), float(one_u * np.sqrt(2.0 / a_turn) / turns)


def carrier_of(series: EnvelopeSeries, turns: Sequence[Turn]) -> Quantity | None:
    """Return the mean carrier over turns, weighted by power, or None for an envelope."""
    means: list[float] = []
    for turn in turns:
        bins = series.bins_between(turn.start_frame, turn.end_frame)
        carrier = series.carrier_hz[bins]
        weight = np.where(series.ok[bins], np.maximum(series.power_v2[bins], 0.0), 0.0)
        if carrier.size and carrier[0] > 0.0 and weight.sum() > 0.0:
            means.append(float(np.average(carrier, weights=weight)))
    if not means:
        return None
    value = float(np.mean(means))
    u = scatter_u(np.array(means)) if len(means) > 1 else 1e-3 * value
    return Quantity(value, float(np.hypot(u, CLOCK_PART * value)))


def snr_of(path: SignalPath, taller_v: float) -> float | None:
    """Return sine power at the taller lobe's top over noise power, in dB; None for an envelope."""
    if path.noise_v2 <= 0.0 or taller_v <= 0.0:
        return None
    return float(10.0 * np.log10(0.5 * taller_v**2 / path.noise_v2))


def off_profile(setup: Setup, speed: Quantity | None, carrier: Quantity | None) -> list[Message]:
    """Return notes on what is off the profile: reported, not refused."""
    notes: list[Message] = []
    if speed is not None:
        away = speed.value / setup.speed_rpm - 1.0
        if abs(away) > _OFF_SPEED:
            percent, nominal = f"{100.0 * away:+.1f}", f"{setup.speed_rpm:g}"
            notes.append(messages.fill(messages.OFF_SPEED, percent, nominal))
    if carrier is not None and speed is not None:
        nominal_hz = setup.carrier_hz * speed.value / setup.speed_rpm
        if abs(carrier.value / nominal_hz - 1.0) > _OFF_CARRIER:
            khz = f"{setup.carrier_hz / 1e3:g}"
            beyond = setup.carrier_hz > 0.5 * setup.sample_rate_hz
            text = messages.IMAGE if beyond else messages.OFF_CARRIER
            notes.append(messages.fill(text, khz))
    return notes


def _is_whole(series: EnvelopeSeries, turn: Turn) -> bool:
    """Tell whether every sample of the turn was there."""
    bins = series.bins_between(turn.start_frame, turn.end_frame)
    expected = int(turn.frames / series.frames_a_bin) - 1
    return bins.stop - bins.start >= expected and bool(series.ok[bins].all())


def _character(
    series: EnvelopeSeries,
    turns: Sequence[Turn],
    layout: Layout,
    heights_v: tuple[float, float],
    setup: Setup,
) -> tuple[Geometry | None, Message | None]:
    """Return the recording, or why the pattern cannot be read.

    The turns are judged in groups and the majority decides: over a capture in which the head
    moved, the average of all would have filled nulls.
    """
    count = max(1, len(turns) // _CHARACTER_TURNS)
    edges = np.linspace(0, len(turns), count + 1).round().astype(int).tolist()
    groups = [turns[start:end] for start, end in pairwise(edges)]
    votes: list[tuple[Geometry | None, bool]] = []
    for group in groups:
        mean = mean_turn(series, list(group))
        if mean is not None:
            found = characterise(mean, layout, heights_v, setup.geometry)
            votes.append((found.geometry, found.filled))
    winner = max(set(votes), key=votes.count, default=(None, False))
    geometry, filled = winner
    if filled:
        return None, messages.NULLS_FILLED
    return geometry, messages.NO_PATTERN if geometry is None else None
