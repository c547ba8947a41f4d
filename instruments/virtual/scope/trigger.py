"""The trigger: when, after it is armed, a sweep's edge comes."""

from __future__ import annotations

from math import floor

import numpy as np

from instruments.virtual.drive import VirtualDrive
from instruments.virtual.scope.panel import EXTERNAL, Edge

_SHORTEST_PATIENCE_S = 0.05


def trigger_time_s(
    drive: VirtualDrive, edge: Edge, armed_s: float, span_s: float, gain: float
) -> float | None:
    """Return the first edge at or after `armed_s` of the drive's time, None when none comes.

    Channels 1 and 2 carry a signal of noise and carrier, in which an edge comes at once.

    Parameters
    ----------
    drive : VirtualDrive
        Where the index comes from.
    edge : Edge
        What is waited for.
    armed_s : float
        From when on.
    span_s : float
        Length of a sweep; an automatic trigger waits at least that long.
    gain : float
        Volts that the scope reckons for one volt at the probe's tip.
    """
    edge_s = _edge_s(drive, edge, armed_s, gain)
    if not edge.automatic:
        return edge_s
    given_up_s = armed_s + max(span_s, _SHORTEST_PATIENCE_S)
    return given_up_s if edge_s is None else min(edge_s, given_up_s)


def _edge_s(drive: VirtualDrive, edge: Edge, armed_s: float, gain: float) -> float | None:
    if edge.source in (1, 2):
        return armed_s
    if edge.source not in (3, EXTERNAL):
        return None
    index = drive.index
    part = edge.level_v / (index.amplitude_v * gain)
    if not 0.0 < part < 1.0:
        return None
    edges: list[float] = []
    if edge.slope in ("either", "rise" if index.active_high else "fall"):
        edges.append(_next_s(drive, 0.0, armed_s, part if index.active_high else 1 - part))
    if edge.slope in ("either", "fall" if index.active_high else "rise"):
        late = 1 - part if index.active_high else part
        edges.append(_next_s(drive, index.width_turns, armed_s, late))
    return min(edges)


def _next_s(drive: VirtualDrive, place_turns: float, armed_s: float, part: float) -> float:
    """Return when an edge of the pulse next passes a fraction of its way."""
    spindle = drive.spindle
    # The middle of an edge is at its place; its ends lie half its time to either side.
    shift_s = (part - 0.5) * drive.index.edge_s
    turns = spindle.turns(np.array([armed_s - shift_s]))[0] - place_turns
    numbers = floor(turns) + np.arange(3.0)
    for time_s in spindle.times_s(numbers + place_turns) + shift_s:
        # An edge that armed the last sweep must not be missed by the rounding of its time.
        if time_s >= armed_s - 1e-9:
            return float(time_s)
    raise AssertionError("a spindle turns forward")
