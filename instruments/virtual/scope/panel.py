"""The virtual scope's front panel: channels, trigger, time base, memory and acquisition."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import floor, log10

CHANNELS = (1, 2, 3, 4)
"""1 carries plus, 2 minus, 3 the index (as does the external input), 4 nothing."""
MATHS = 0
"""Where a channel's number is asked for: the maths channel, 1 minus 2."""
EXTERNAL, LINE = -1, -2
"""Where a trigger's channel is asked for: the external input, and the mains."""

SHORTEST_S, LONGEST_S = 5e-9, 50.0
FINEST_V, COARSEST_V = 0.5e-3, 10.0
"""Limits of time and of volts a division, volts without a probe."""


class FrontPanelError(Exception):
    """A value that the panel cannot be set to; it stays as it was."""


@dataclass(slots=True)
class Channel:
    """One channel's settings; volts are at the probe's tip.

    Attributes
    ----------
    on : bool
        Whether it is acquired.
    volts_per_div : float
        Vertical scale.
    offset_v : float
        Volts that lie at `position_div`.
    position_div : float
        Divisions above the middle of the screen at which `offset_v` lies.
    coupling : str
        ``"dc"``, ``"ac"`` or ``"gnd"``.
    probe : float
        Attenuation that the scope reckons with.
    inverted : bool
        Whether its sign is turned before it is converted.
    limited : bool
        Whether its bandwidth is limited: to 20 MHz or more, far above any carrier.
    """

    on: bool = False
    volts_per_div: float = 1.0
    offset_v: float = 0.0
    position_div: float = 0.0
    coupling: str = "dc"
    probe: float = 10.0
    inverted: bool = False
    limited: bool = False

    @property
    def centre_v(self) -> float:
        """Volts in the middle of the screen."""
        return self.offset_v - self.position_div * self.volts_per_div

    def set_scale(self, volts_per_div: float) -> None:
        """Set the vertical scale, to three digits as the knob does."""
        if not FINEST_V <= volts_per_div / self.probe * (1 + 1e-9) <= COARSEST_V * (1 + 1e-6):
            raise FrontPanelError
        self.volts_per_div = rounded(volts_per_div, 3)

    def set_probe(self, probe: float) -> None:
        """Set the attenuation; what the scope itself does stays, so the tip's volts follow."""
        if not 0.001 <= probe <= 10000:
            raise FrontPanelError
        self.volts_per_div *= probe / self.probe
        self.offset_v *= probe / self.probe
        self.probe = probe


@dataclass(frozen=True, slots=True)
class TriggerEdge:
    """The trigger's settings at one moment; fields as in :class:`Trigger`."""

    source: int
    level_v: float
    slope: str
    automatic: bool


@dataclass(slots=True)
class Trigger:
    """When a record starts.

    Attributes
    ----------
    source : int
        A channel, :data:`EXTERNAL` or :data:`LINE`.
    levels_v : dict of int to float
        Level for each source.
    slope : str
        ``"rise"``, ``"fall"`` or ``"either"``.
    automatic : bool
        Whether a record is made also where no trigger comes.
    """

    source: int = 1
    levels_v: dict[int, float] = field(default_factory=dict)
    slope: str = "rise"
    automatic: bool = True

    @property
    def edge(self) -> TriggerEdge:
        """What is waited for."""
        level_v = self.levels_v.get(self.source, 0.0)
        return TriggerEdge(self.source, level_v, self.slope, self.automatic)


@dataclass(slots=True)
class FrontPanel:
    """All of the front panel.

    Attributes
    ----------
    seconds_per_div : float
        Time base.
    delay_s : float
        Time from the trigger to the screen's reference point.
    reference : float
        Place of the reference point, as a fraction of the screen's width from its left edge.
    mode : str
        Of the time base: ``"main"``, ``"zoom"``, ``"roll"`` or ``"xy"``.
    auto_roll : bool
        Whether slow time bases roll by themselves, on a model that can.
    acquisition : str
        ``"normal"``, ``"peak"``, ``"average"`` or ``"hires"``; the last two acquire as normal.
    memory : int
        Points of a record that were asked for; a pair of extremes is two.
    channels : dict of int to Channel
        By number; the maths channel under :data:`MATHS`.
    trigger : Trigger
        When a record starts.
    """

    seconds_per_div: float = 1e-3
    delay_s: float = 0.0
    reference: float = 0.5
    mode: str = "main"
    auto_roll: bool = True
    acquisition: str = "normal"
    memory: int = 12000
    channels: dict[int, Channel] = field(default_factory=dict)
    trigger: Trigger = field(default_factory=Trigger)

    def set_timebase(self, seconds_per_div: float, *, stepped: bool = True) -> None:
        """Set the time base, to the next step of 1, 2, 5 where it is `stepped`."""
        value = step_up(seconds_per_div) if stepped else rounded(seconds_per_div, 4)
        if not SHORTEST_S <= value * (1 + 1e-9) <= LONGEST_S * (1 + 1e-6):
            raise FrontPanelError
        self.seconds_per_div = value


def new_front_panel(memory: int, channels: int = len(CHANNELS)) -> FrontPanel:
    """Return the panel of a scope of so many channels as it is after a reset."""
    numbers = (MATHS, *CHANNELS[:channels])
    return FrontPanel(
        memory=memory, channels={number: Channel(on=number == 1) for number in numbers}
    )


def rounded(value: float, digits: int) -> float:
    """Return `value` rounded to that many significant digits."""
    return float(f"{value:.{digits - 1}e}")


def step_up(value: float) -> float:
    """Return the smallest of 1, 2 and 5 times a power of ten that is not below `value`."""
    if not value > 0:
        raise FrontPanelError
    decade = floor(log10(value) + 1e-9)
    for digit in (1, 2, 5):
        step = float(f"{digit}e{decade}")
        if value <= step * (1 + 1e-6):
            return step
    return float(f"1e{decade + 1}")
