"""Setting a scope up for this job, and following the signal with its range.

Only the thread that owns the link may use it.
"""

from __future__ import annotations

from dataclasses import replace

from instruments.scope import capture
from instruments.scope.capture import Screen
from instruments.scope.family import Family
from instruments.scope.faults import Deadline
from instruments.scope.held import Held, watched
from instruments.scope.link import Link
from instruments.scope.options import ScopeOptions
from instruments.scope.panel import EXTERNAL, Key, Panel
from instruments.scope.probing import check_phases, check_probes, index_level_v
from instruments.scope.ranging import Ranges
from instruments.scope.records import Record, cells_before_trigger, is_active_at
from instruments.source import SourceUnavailable

_TURNS = 2.5
_LEAST_TURNS = 2.2
_STEPS = (1.0, 2.0, 5.0)

_ROUNDS = 12
_FIRST_V = 0.5  # volts a division
_INDEX_FIRST_V = 2.0


def time_scale_s(speed_rpm: float, across: float) -> float:
    """Return the time a division, of steps 1-2-5, that shows about two and a half turns.

    Parameters
    ----------
    speed_rpm : float
        Nominal speed.
    across : float
        Divisions of the screen.
    """
    turn_s = 60 / speed_rpm
    steps = [step * 10.0**power for power in range(-4, 1) for step in _STEPS]
    fits = [step for step in steps if step * across >= _LEAST_TURNS * turn_s]
    return min(fits, key=lambda step: abs(step * across - _TURNS * turn_s))


def delay_value(place: str, span_s: float) -> float:
    """Return the setting that puts the trigger at the screen's left edge.

    Parameters
    ----------
    place : str
        What the setting means: one of the family's ``PLACES``.
    span_s : float
        The screen's span.
    """
    return {"centre": span_s / 2, "minus-centre": -span_s / 2, "percent": 0.0}[place]


class Setup:
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
        self._held = Held(panel, link.what)
        index = options.columns.index
        self.channels = (*options.columns.signals, *(() if index is None else (index,)))
        self.ranges = Ranges(panel, link.what, family.up, options.columns.signals, index)
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
        return (f"The scope is {identity}.",)

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
        scale_s = time_scale_s(self._options.speed_rpm, family.across)
        span_s = panel.set_number("time_scale", scale_s, deadline) * family.across
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
            first_v = _INDEX_FIRST_V if index else scale_v or _FIRST_V
            self.ranges.set_scale(channel, first_v, deadline)
            panel.set_number("offset", 0.0, deadline, channel, near=0.05 * first_v)
        check_probes(panel, self._link.what, options, deadline)

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
        """Let records begin anywhere."""
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
        self._level_v = panel.set_number(
            "trigger_level", level_v, deadline, channel=source, near=0.1
        )
        panel.set_word("sweep", "normal", deadline)
        self._free = False

    def begins_at_index(self, signal: Record, index: Record | None) -> bool:
        """Tell whether the index's edge is where a record says that its trigger is.

        What the delay is counted from, and what the start counts, differs from model to model: the
        index's own channel shows what is so.
        """
        if self._free or (signal.start_s is not None and signal.start_s > signal.interval_s):
            return False
        if index is None:
            return True
        falling = self._options.edge == "falling"
        return is_active_at(index, cells_before_trigger(signal), self._level_v, falling=falling)

    def follow(self, records: dict[int, Record], deadline: Deadline) -> None:
        """Keep the range fitting from one record to the next."""
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
        if any(record.clipped for record in records.values()):
            raise SourceUnavailable(
                f"{self._link.what}: the signal goes beyond the screen in every range that it "
                "takes; use ×10 probes, and check their factor"
            )
        return records

    def _look(self, deadline: Deadline) -> dict[int, Record]:
        link, family = self._link, self._family
        capture.start(link, family, self.screen.span_s, self._free, deadline, "let the scope run")
        return {
            channel: capture.read_channel(link, family, channel, self.screen, deadline)
            for channel in self.channels
        }


def set_up(
    link: Link,
    family: Family,
    panel: Panel,
    options: ScopeOptions,
    scale_v: float | None,
    deadline: Deadline,
) -> Setup:
    """Set the scope up for this job and return how it stands.

    Raises
    ------
    SourceError
        When it refuses, or shows no signal that can be used.
    """
    setup = Setup(link, family, panel, options)
    setup.time(deadline)
    setup.inputs(scale_v, deadline)
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
