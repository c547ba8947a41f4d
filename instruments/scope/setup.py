"""Set a scope up for this measurement, and keep its range fitting the signal.

The range of each channel is chosen so that the signal fills the screen; the probes are checked by
what they show (factors, heights, index pulses); and the settings on which a record's meaning
depends are watched, so that a change at the front panel is noticed.

Only the thread that owns the link may use it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from instruments.scope import waveform
from instruments.scope.family import Family
from instruments.scope.links import Deadline, Link
from instruments.scope.options import ScopeOptions
from instruments.scope.panel import EXTERNAL, Key, Panel
from instruments.scope.waveform import Record, Screen, bins_before_trigger, is_active_at
from instruments.source import SourceLost, SourceUnavailable

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
    vertical_divisions : float
        Divisions of the screen.
    signals : tuple of int
        Channels of the read signal, which get one range.
    index : int or None
        Channel of the index.
    held : bool
        The signals' range is the user's, and stays.
    """

    def __init__(
        self,
        panel: Panel,
        what: str,
        vertical_divisions: float,
        signals: tuple[int, ...],
        index: int | None,
        *,
        held: bool = False,
    ) -> None:
        self._panel = panel
        self._what = what
        self._vertical_divisions = vertical_divisions
        self._signals = signals
        self._index = index
        self._held = held
        self._little = 0  # records in a row that fill too little
        self.scales_v: dict[int, float] = {}
        """Volts a division, by channel."""
        self.rails_v: dict[int, float] = {}
        """Magnitude at the edge of the screen, by channel."""

    def code_v(self, channel: int) -> float:
        """Return about what one code of an 8-bit converter is."""
        return self.scales_v[channel] * self._vertical_divisions / 256

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
        if self._held:
            return False
        scale_v = max(self.scales_v[n] for n in channels)
        if any(records[n].clipped for n in channels):
            return self._rescale(channels, _WIDER * scale_v, deadline)
        fill = max(self._fill(n, records[n]) for n in channels)
        if FILL_LEAST <= fill <= FILL_MOST or fill == 0:
            return False
        return self._rescale(channels, scale_v * fill / FILL_WANTED, deadline)

    def _fill(self, channel: int, record: Record) -> float:
        return record.peak_v / (self.scales_v[channel] * self._vertical_divisions / 2)

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
        self.rails_v[channel] = _AT_RAIL * taken_v * self._vertical_divisions / 2
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


_LEAST_INDEX_CODES = 8
_UNLIKE = 4.0  # factor between the phases' heights that no amplifier explains
_TTL_V = 1.4
_TOGETHER = 0.5  # correlation of two channels that no two phases have


def check_probes(
    panel: Panel, what: str, options: ScopeOptions, deadline: Deadline
) -> float | None:
    """Return the probes' factor, refusing those that differ from one another or from what was said.

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
    return factors[options.columns.signals[0]]


def check_phases(what: str, ranges: Ranges, records: dict[int, Record]) -> None:
    """Refuse two phases that cannot be: one several times the other, or both moving together.

    The first is a probe's switch. The second, which shows in plain samples alone, is a channel
    that the scope turns over, with no command of the family to tell.

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
    one, other = records.values()
    if not one.paired and _alike(one, other):
        raise SourceUnavailable(
            f"{what}: channels {high} and {low} rise and fall together; switch off Invert in the "
            "channels' menus, and put one probe on each phase"
        )


def _alike(one: Record, other: Record) -> bool:
    """Tell whether two records of plain samples go the same way."""
    if len(one.low_v) != len(other.low_v) or not one.swing_v or not other.swing_v:
        return False
    return float(np.corrcoef(one.low_v, other.low_v)[0, 1]) > _TOGETHER


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


_OF_START = ("delay", "reference", "trigger_type", "trigger_source", "trigger_slope", "sweep")
_OF_VOLTS = ("scale", "offset")


def watched(
    family: Family,
    *,
    detecting: tuple[int, ...],
    trigger: int | None,
    signals: tuple[int, ...],
) -> list[Key]:
    """Return setting and channel of all without which a record means something else.

    Parameters
    ----------
    family : Family
        Whose settings.
    detecting : tuple of int
        Channels whose peak detect is on.
    trigger : int or None
        Where the trigger comes from; None where records begin anywhere.
    signals : tuple of int
        Channels of the read signal.
    """
    keys = [("time_scale", 1), *(("detect", channel) for channel in detecting)]
    if trigger is not None:
        keys += [(name, trigger) for name in _OF_START if name in family.settings]
    if family.waveform.codes == "float32":
        # Volts have no codes at the rails: these alone tell where the screen ends.
        keys += [(name, channel) for channel in signals for name in _OF_VOLTS]
    return keys


class Held:
    """How a scope said that it is set.

    Parameters
    ----------
    panel : Panel
        The scope's.
    what : str
        The scope, as messages begin.
    """

    def __init__(self, panel: Panel, what: str) -> None:
        self._panel = panel
        self._what = what
        self._told: dict[Key, str] = {}

    def note(self, keys: list[Key], deadline: Deadline) -> None:
        """Note how it is set now.

        How it sweeps is noted with the first record: a single one changes that on many.
        """
        noted = [key for key in keys if key[0] != "sweep"]
        self._told = {key: self._panel.told(*key, deadline) for key in noted}

    def forget_volts(self) -> None:
        """Note range and offset anew with the next record: they were changed on purpose."""
        self._told = {key: told for key, told in self._told.items() if key[0] not in _OF_VOLTS}

    def see_unchanged(self, keys: list[Key], deadline: Deadline) -> None:
        """See that it is set as noted.

        Raises
        ------
        SourceLost
            When it is not.
        """
        for key in keys:
            told = self._panel.told(*key, deadline)
            held = self._told.setdefault(key, told)
            if told != held:
                raise SourceLost(
                    f"{self._what}: somebody has changed it by hand ({self._panel.query(*key)} "
                    f"said {held} and says {told}); it is set anew: leave the front panel so "
                    "while it is read"
                )


_NO_START = (
    "this scope does not tell where a record begins: with trigger=external the side is not known; "
    "put the index on a channel"
)
_TWO_CHANNELS = (
    "The scope has two channels, which take the phases; for the side connect the index to its "
    "external input and add trigger=external."
)
_UNPROVED = (
    "Nobody has told that family {} works on a real scope; compare the reading with its screen."
)
_TURNS = 2.5
_LEAST_TURNS = 2.2

_ROUNDS = 12
_FIRST_V = 0.5  # volts a division
_INDEX_FIRST_V = 2.0


def time_scale_s(speed_rpm: float, horizontal_divisions: float) -> float:
    """Return the time a division, of steps 1-2-5, that shows about two and a half turns.

    Parameters
    ----------
    speed_rpm : float
        Nominal speed.
    horizontal_divisions : float
        Divisions of the screen.
    """
    turn_s = 60 / speed_rpm
    steps = [step * 10.0**power for power in range(-4, 1) for step in _STEPS]
    fits = [step for step in steps if step * horizontal_divisions >= _LEAST_TURNS * turn_s]
    return min(fits, key=lambda step: abs(step * horizontal_divisions - _TURNS * turn_s))


def delay_value(place: str, span_s: float) -> float:
    """Return the setting that puts the trigger at the screen's left edge, or in its middle.

    Parameters
    ----------
    place : str
        What the setting means: one of the family's ``PLACES``.
    span_s : float
        The screen's span.
    """
    return {"centre": span_s / 2, "minus-centre": -span_s / 2}.get(place, 0.0)


class ScopeSetup:
    """The scope as it is set for this job.

    Parameters
    ----------
    link, family, panel : Link, Family, Panel
        The scope.
    options : ScopeOptions
        What the user asked.
    """

    def __init__(self, link: Link, family: Family, panel: Panel, options: ScopeOptions) -> None:
        self._link = link
        self._family = family
        self._panel = panel
        self._options = options
        self._free = True
        self._level_v = 0.0
        self._probe = 1.0
        self._start_known = False
        self.record_bytes = 0
        """Bytes of samples in the newest record of all channels."""
        self._held = Held(panel, link.what)
        index = options.columns.index
        self.channels = (*options.columns.signals, *(() if index is None else (index,)))
        self.ranges = Ranges(
            panel,
            link.what,
            family.vertical_divisions,
            options.columns.signals,
            index,
            held=options.scale_v is not None,
        )
        self.screen = Screen(0.0, detecting=False, rails_v=self.ranges.rails_v)

    @property
    def free(self) -> bool:
        """Whether records begin anywhere."""
        return self._free

    def signal_scale_v(self) -> float:
        """Return the volts a division of the signal channels."""
        return self.ranges.scales_v[self._options.columns.signals[0]]

    def notes(self, identity: str) -> tuple[str, ...]:
        """Return what the user should know beside any result."""
        said = [f"The scope is {identity}."]
        if self._options.shortened:
            said.append(_TWO_CHANNELS)
        if self._family.unproved:
            said.append(_UNPROVED.format(self._family.name))
        if not (self._free or self._start_known or self._options.trigger_channel is not None):
            said.append(_NO_START)
        return tuple(said)

    @property
    def of_volts(self) -> str:
        """What noise and steps of a record hang on, in words."""
        return (
            f"{self.signal_scale_v():.3g} V/div, {self._options.coupling.upper()}, "
            f"×{self._probe:g}, {'peak detect' if self.screen.detecting else 'sample'}"
        )

    def told(self) -> tuple[tuple[str, str], ...]:
        """Return the settings as the scope confirmed them: name and value with its unit."""
        return (
            ("record", f"{1e3 * self.screen.span_s:.4g} ms"),
            ("range", f"{self.signal_scale_v():.3g} V/div"),
            ("coupling", self._options.coupling.upper()),
            ("acquisition", "peak detect" if self.screen.detecting else "sample"),
            ("trigger", "free run" if self._free else self._trigger_words()),
        )

    def _trigger_words(self) -> str:
        channel = self._options.trigger_channel
        where = "external" if channel is None else f"channel {channel}"
        return f"{where}, {self._options.edge}, {self._level_v:.3g} V"

    def time(self, deadline: Deadline) -> None:
        """Set time base, place of the trigger and length of the record."""
        panel, family = self._panel, self._family
        panel.hold(deadline)
        scale_s = time_scale_s(self._options.speed_rpm, family.horizontal_divisions)
        span_s = panel.set_number("time_scale", scale_s, deadline) * family.horizontal_divisions
        if panel.has("reference"):
            panel.set_word("reference", "centre", deadline)
        if panel.has("stop_after"):
            panel.set_word("stop_after", "sequence", deadline)
        if panel.has("points"):
            points = int(panel.set_number("points", family.points, deadline, near=4))
            self.screen = replace(self.screen, points=points)
        panel.set_number("delay", delay_value(family.place, span_s), deadline, near=0.05)
        self.screen = replace(self.screen, span_s=span_s)

    def inputs(self, scale_v: float | None, deadline: Deadline) -> None:
        """Switch the channels on; set coupling, offset and a first range."""
        panel, options = self._panel, self._options
        for channel in self.channels:
            index = channel == options.columns.index
            panel.set_word("display", "on", deadline, channel)
            panel.set_word("coupling", "dc" if index else options.coupling, deadline, channel)
            first_v = _INDEX_FIRST_V if index else options.scale_v or scale_v or _FIRST_V
            self.ranges.set_scale(channel, first_v, deadline)
            panel.set_number("offset", 0.0, deadline, channel, near=0.05 * first_v)
            panel.hold(deadline, channel)
        self._probe = check_probes(panel, self._link.what, options, deadline) or 1.0

    def plain(self, deadline: Deadline) -> None:
        """Turn peak detect off."""
        self._detect("sample", deadline)

    def extremes(self, deadline: Deadline) -> None:
        """Turn peak detect on, and see that it is.

        Raises
        ------
        SourceUnavailable
            When the scope does not take it.
        """
        self._detect("peak", deadline)

    def _detect(self, word: str, deadline: Deadline) -> None:
        known = self._panel.has("detect")
        if known:
            for channel in self._detecting():
                self._panel.remember("detect", channel, deadline)
            for channel in self._detecting():
                self._panel.set_word("detect", word, deadline, channel)
        self.screen = replace(self.screen, detecting=known and word == "peak")

    def _detecting(self) -> tuple[int, ...]:
        """Return the channels that have peak detect, one for all where they share it."""
        return self.channels if self._family.settings["detect"].of_channel else (1,)

    def free_run(self, deadline: Deadline) -> None:
        """Let records begin anywhere; a single sweep may change how it swept."""
        self._panel.remember("sweep", 1, deadline)
        self._panel.set_word("sweep", "auto", deadline)
        self._free = True

    def trigger(self, level_v: float, deadline: Deadline) -> None:
        """Trigger on the index."""
        panel, options = self._panel, self._options
        channel = options.trigger_channel
        if panel.has("trigger_type"):
            panel.set_word("trigger_type", "edge", deadline)
        word = "external" if channel is None else "channel"
        source = EXTERNAL if channel is None else channel
        panel.set_word("trigger_source", word, deadline, source=source)
        panel.set_word("trigger_slope", options.edge, deadline, channel=source)
        factor = self._level_factor(channel, deadline)
        self._level_v = factor * panel.set_number(
            "trigger_level", level_v / factor, deadline, channel=source, near=0.1
        )
        panel.set_word("sweep", "normal", deadline)
        self._free = False

    def _level_factor(self, channel: int | None, deadline: Deadline) -> float:
        """Return what a level is to be divided by before it is set."""
        if channel is None or not self._family.level_before_probe:
            return 1.0
        return self._panel.probe(channel, deadline) or 1.0

    def begins_at_index(self, signal: Record, index: Record | None) -> bool:
        """Tell whether the index's edge is where a record says that its trigger is.

        What the delay is counted from, and what the start counts, differs from model to model.
        The index's own channel shows what is so; without it, only a record that tells its start
        is believed.
        """
        start_s = signal.start_s
        if self._free or (start_s is not None and start_s > signal.interval_s):
            return False
        if index is None:
            return start_s is not None
        if start_s is None and self._family.place == "middle":
            return False
        falling = self._options.edge == "falling"
        return is_active_at(index, bins_before_trigger(signal), self._level_v, falling=falling)

    def follow(self, records: dict[int, Record], deadline: Deadline) -> None:
        """Keep the range fitting from one record to the next."""
        self._weigh(records)
        if self.ranges.follow(records, deadline):
            self._held.forget_volts()

    def hold(self, deadline: Deadline) -> None:
        """Note how the scope says that it is set, for :meth:`see_unchanged`."""
        self._held.note(self._watched(), deadline)

    def see_unchanged(self, deadline: Deadline) -> None:
        """See that nobody has turned at the scope what the last record's meaning hangs on.

        Raises
        ------
        SourceLost
            When somebody has: it must be set up anew.
        """
        self._held.see_unchanged(self._watched(), deadline)

    def _watched(self) -> list[Key]:
        index = self._options.trigger_channel
        return watched(
            self._family,
            detecting=self._detecting() if self.screen.detecting else (),
            trigger=None if self._free else EXTERNAL if index is None else index,
            signals=self._options.columns.signals,
        )

    def range(self, deadline: Deadline) -> dict[int, Record]:
        """Find the range in which the signal fills the screen; return the last records.

        Raises
        ------
        SourceUnavailable
            When it clips in every range that the scope takes.
        """
        records = self._look(deadline)
        for _ in range(_ROUNDS):
            if not self.ranges.fit(records, deadline):
                break
            records = self._look(deadline)
        clipped = any(record.clipped for record in records.values())
        if clipped and self._options.scale_v is not None:
            raise SourceUnavailable(
                f"{self._link.what}: the signal goes beyond the screen at the range that was "
                f"stated; raise scale={self._options.scale_v:g}, or leave it out"
            )
        if clipped:
            raise SourceUnavailable(
                f"{self._link.what}: the signal goes beyond the screen in every range that it "
                "takes; use ×10 probes, and check their factor"
            )
        return records

    def _look(self, deadline: Deadline) -> dict[int, Record]:
        link, family = self._link, self._family
        waveform.start(link, family, self.screen.span_s, self._free, deadline, "let the scope run")
        records = {
            channel: waveform.read_channel(link, family, channel, self.screen, deadline)
            for channel in self.channels
        }
        self._start_known = all(record.start_s is not None for record in records.values())
        self._weigh(records)
        return records

    def _weigh(self, records: dict[int, Record]) -> None:
        values = sum(record.values for record in records.values())
        self.record_bytes = values * waveform.width_of(self._family.waveform)


def set_up(
    link: Link,
    family: Family,
    panel: Panel,
    options: ScopeOptions,
    scale_v: float | None,
    deadline: Deadline,
) -> ScopeSetup:
    """Set the scope up for this job and return how it stands.

    Raises
    ------
    SourceError
        When it refuses, or shows no signal that can be used.
    """
    setup = ScopeSetup(link, family, panel, options)
    panel.ready(deadline)
    setup.time(deadline)
    setup.inputs(scale_v, deadline)
    # How much memory there is hangs on the channels that are on and on the time base.
    panel.set_memory("live", deadline)
    setup.extremes(deadline)
    setup.free_run(deadline)
    records = setup.range(deadline)
    phases = {channel: records[channel] for channel in options.columns.signals}
    check_phases(link.what, setup.ranges, phases)
    if options.trigger != "free":
        level_v = index_level_v(link.what, setup.ranges, options, records)
        setup.trigger(level_v, deadline)
    setup.hold(deadline)
    return setup
