"""The range of each channel: found so that the signal fills the screen, and kept so.

Only the thread that owns the link may use it.
"""

from __future__ import annotations

from instruments.scope.faults import Deadline
from instruments.scope.panel import Panel
from instruments.scope.records import Record
from instruments.source import SourceUnavailable

FILL_LEAST, FILL_WANTED, FILL_MOST = 0.60, 0.82, 0.90
"""How much of the screen the signal takes, from the middle to its larger extreme."""
_FILL_TOO_LITTLE = 0.35
_PATIENCE = 4  # records that fill too little, before the range goes down
_WIDER = 2.5
_AT_RAIL = 0.995
_STEPS = (1.0, 2.0, 5.0)


def step_above(scale_v: float) -> float:
    """Return the smallest of the steps 1-2-5 that is not below `scale_v`."""
    steps = [step * 10.0**power for power in range(-6, 4) for step in _STEPS]
    return min((step for step in steps if step >= 0.999 * scale_v), default=steps[-1])


class Ranges:
    """The ranges of the channels in use.

    Parameters
    ----------
    panel : Panel
        The scope's.
    what : str
        The scope, as messages begin.
    up : float
        Divisions of the screen.
    signals : tuple of int
        Channels of the read signal, which get one range.
    index : int or None
        Channel of the index.
    """

    def __init__(
        self, panel: Panel, what: str, up: float, signals: tuple[int, ...], index: int | None
    ) -> None:
        self._panel = panel
        self._what = what
        self._up = up
        self._signals = signals
        self._index = index
        self._little = 0  # records in a row that fill too little
        self.scales_v: dict[int, float] = {}
        """Volts a division, by channel."""
        self.rails_v: dict[int, float] = {}
        """Magnitude at the edge of the screen, by channel."""

    def code_v(self, channel: int) -> float:
        """Return about what one code of an 8-bit converter is."""
        return self.scales_v[channel] * self._up / 256

    def fit(self, records: dict[int, Record], deadline: Deadline) -> bool:
        """Change the ranges where they do not fit; return whether one changed."""
        changed = self._fit_together(self._signals, records, deadline)
        index = self._index
        if index is not None:
            # The index needs its edge only: any range that does not clip will do.
            fill = self._fill(index, records[index])
            if records[index].clipped or fill > 1:
                changed |= self._rescale((index,), _WIDER * self.scales_v[index], deadline)
        return changed

    def _fit_together(
        self, channels: tuple[int, ...], records: dict[int, Record], deadline: Deadline
    ) -> bool:
        """Give all of `channels` one range: both phases then have one error of gain."""
        scale_v = max(self.scales_v[n] for n in channels)
        if any(records[n].clipped for n in channels):
            return self._rescale(channels, _WIDER * scale_v, deadline)
        fill = max(self._fill(n, records[n]) for n in channels)
        if FILL_LEAST <= fill <= FILL_MOST or fill == 0:
            return False
        return self._rescale(channels, scale_v * fill / FILL_WANTED, deadline)

    def _fill(self, channel: int, record: Record) -> float:
        return record.peak_v / (self.scales_v[channel] * self._up / 2)

    def _rescale(self, channels: tuple[int, ...], scale_v: float, deadline: Deadline) -> bool:
        """Ask for a range; return whether the scope moved."""
        moved = False
        for channel in channels:
            before_v = self.scales_v[channel]
            taken_v = self.set_scale(channel, scale_v, deadline)
            if taken_v < 0.97 * scale_v:
                # It has only steps, and took the one below.
                taken_v = self.set_scale(channel, step_above(scale_v), deadline)
            moved |= abs(taken_v / before_v - 1) > 0.02
        widest_v = max(self.scales_v[channel] for channel in channels)
        for channel in channels:
            if self.scales_v[channel] < 0.98 * widest_v:
                self.set_scale(channel, widest_v, deadline)
        return moved

    def set_scale(self, channel: int, scale_v: float, deadline: Deadline) -> float:
        """Ask for volts a division, and return what the scope made of it.

        Raises
        ------
        SourceUnavailable
            When that is no range.
        """
        # What it rounds to, or where its ranges end, shows in what it answers.
        taken_v = self._panel.set_number("scale", scale_v, deadline, channel, near=1e9)
        if not taken_v > 0:
            raise SourceUnavailable(
                f"{self._what}: channel {channel} says {taken_v:g} V a division; set a "
                "range at the scope"
            )
        self.scales_v[channel] = taken_v
        self.rails_v[channel] = _AT_RAIL * taken_v * self._up / 2
        return taken_v

    def follow(self, records: dict[int, Record], deadline: Deadline) -> bool:
        """Keep the range fitting from one record to the next; return whether it was changed."""
        signals = self._signals
        fill = max(self._fill(n, records[n]) for n in signals)
        changed = False
        if any(records[n].clipped for n in signals) or fill > FILL_MOST:
            changed = self._fit_together(signals, records, deadline)
        self._little = self._little + 1 if 0 < fill < _FILL_TOO_LITTLE else 0
        if self._little >= _PATIENCE:
            self._little = 0
            changed |= self._fit_together(signals, records, deadline)
        return changed
