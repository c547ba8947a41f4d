"""What the probes show of themselves before a record is believed: factors, heights, index pulses.

Only the thread that owns the link may use it.
"""

from __future__ import annotations

from instruments.scope.faults import Deadline
from instruments.scope.options import ScopeOptions
from instruments.scope.panel import Panel
from instruments.scope.ranging import Ranges
from instruments.scope.records import Record
from instruments.source import SourceUnavailable

_LEAST_INDEX_CODES = 8
_UNLIKE = 4.0  # factor between the phases' heights that no amplifier explains
_TTL_V = 1.4


def check_probes(panel: Panel, what: str, options: ScopeOptions, deadline: Deadline) -> None:
    """Refuse factors that differ from one another or from what the user said.

    Parameters
    ----------
    panel : Panel
        The scope's.
    what : str
        The scope, as messages begin.
    options : ScopeOptions
        What the user asked.
    deadline : Deadline
        For all of it.

    Raises
    ------
    SourceUnavailable
        When they do.
    """
    factors = {n: panel.probe(n, deadline) for n in options.columns.signals}
    if len(set(factors.values())) > 1:
        told = " and ".join(f"channel {n} to ×{factor:g}" for n, factor in factors.items())
        raise SourceUnavailable(
            f"{what}: the probe factors differ ({told}); set each to what is printed on its "
            "probe, and use two alike"
        )
    asked = options.probe
    for channel, factor in factors.items():
        if asked is not None and factor is not None and abs(factor / asked - 1) > 1e-3:
            raise SourceUnavailable(
                f"{what}: channel {channel} is set to a ×{factor:g} probe and probe={asked:g} was "
                "given; set the scope to the probe that is fitted"
            )


def check_phases(what: str, ranges: Ranges, records: dict[int, Record]) -> None:
    """Refuse two phases of which one is several times the other: a probe's switch.

    Parameters
    ----------
    what : str
        The scope, as messages begin.
    ranges : Ranges
        Of the channels.
    records : dict of int to Record
        Of the two phases, by channel; of fewer there is nothing to compare.

    Raises
    ------
    SourceUnavailable
        When they are.
    """
    if len(records) < 2:
        return
    swings = {channel: record.swing_v for channel, record in records.items()}
    high, low = max(swings, key=swings.__getitem__), min(swings, key=swings.__getitem__)
    if swings[high] > _UNLIKE * max(swings[low], 4 * ranges.code_v(high)):
        raise SourceUnavailable(
            f"{what}: channel {high} shows {swings[high]:.3g} V and channel {low} "
            f"{swings[low]:.3g} V; the phases should be alike: check both probes' switches, "
            "factors and tips"
        )


def index_level_v(
    what: str, ranges: Ranges, options: ScopeOptions, records: dict[int, Record]
) -> float:
    """Return the trigger's level: what the user said, else the middle between the index's levels.

    Parameters
    ----------
    what : str
        The scope, as messages begin.
    ranges : Ranges
        Of the channels.
    options : ScopeOptions
        What the user asked.
    records : dict of int to Record
        By channel.

    Raises
    ------
    SourceUnavailable
        When there are no pulses, or none through that level.
    """
    channel = options.trigger_channel
    if channel is None:
        return options.level_v or _TTL_V
    record = records[channel]
    if record.swing_v < _LEAST_INDEX_CODES * ranges.code_v(channel):
        raise SourceUnavailable(
            f"{what}: channel {channel} carries no index pulses; connect the index there and let "
            "the disk turn, or leave it out: roles=plus,minus"
        )
    low_v, high_v = float(record.low_v.min()), float(record.high_v.max())
    if options.level_v is None:
        return (low_v + high_v) / 2
    if not low_v < options.level_v < high_v:
        raise SourceUnavailable(
            f"{what}: channel {channel} goes from {low_v:.3g} V to {high_v:.3g} V and never "
            f"through level={options.level_v:g}; give a level between, or leave it out"
        )
    return options.level_v
