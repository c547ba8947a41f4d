"""An input and its detector probe measured with a signal generator's carrier, set by hand.

A card plays up to half its rate and no further; a generator gives the drive's own carrier. The
person is told each level, sets it, states it, and switches it on and off while it is listened to.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import numpy as np

from app.analysis.frontend.bend import Rise, limit_of_outputs
from app.analysis.frontend.detector import Pass
from app.analysis.frontend.keyed import STRETCHES, keyed_passes, law_at_levels
from app.live.loop_check import LoopFault, LoopFound, Tell
from app.live.source_check import QuietCheck, listen, quiet_check_of
from instruments.options import Toleranced
from instruments.source import Role, Source

LISTEN_S = 8.0
LEVEL_PART = 0.01
"""Tolerance of a generator's level beside its others where none is stated: ±1 % (common practice
for its amplitude, from memory)."""
_PARTS = (0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8, 1.0)
_FEWEST = 6
_QUIET_S = 2.0
_DRAIN_S = 5.0
"""A sound input keeps four seconds of what nobody reads while a person types."""
_TRIES = 3
_BELOW_LIMIT = 0.9


class Hand(Protocol):
    """Whoever is at the generator."""

    def set_level(self, volts_pp: float) -> Toleranced:
        """Have a level set, peak to peak at the probe's tips; returns what was set."""
        ...


@dataclass(frozen=True, slots=True)
class _Level:
    """One level: its amplitude as it was stated, and what it gave."""

    stated: Toleranced
    passes: list[Pass]
    top_v: float

    @property
    def answer_v(self) -> float:
        """Mean over the stretches, whichever way the detector stands."""
        return abs(float(np.mean([each.answers[0] for each in self.passes])))


def check_by_generator(
    source: Source, hz: float, highest_pp_v: float, hand: Hand, tell: Tell
) -> LoopFound:
    """Measure an open source's input and the detector ahead of it at levels that are stated.

    Parameters
    ----------
    hz : float
        The carrier that the generator is set to.
    highest_pp_v : float
        Volts peak to peak that are not gone beyond.
    hand : Hand
        Sets the levels, which begin near nothing and rise.
    tell : callable
        Told what is to be done and what came of it, in a sentence.

    Raises
    ------
    LoopFault
        When nothing usable came back, or there is no detector's column.
    SourceError
        When the source cannot be read.
    """
    if Role.ENVELOPE not in source.info.roles:
        raise LoopFault("a generator proves a detector; name the column envelope with --roles")
    return _GeneratorCheck(source, hz, hand, tell).run(highest_pp_v)


class _GeneratorCheck:
    """One check, from listening to the result."""

    def __init__(self, source: Source, hz: float, hand: Hand, tell: Tell) -> None:
        self._source, self._hz, self._hand, self._tell = source, hz, hand, tell
        self._rate_hz = source.info.sample_rate_hz
        self._column = source.info.roles.index(Role.ENVELOPE)

    def run(self, highest_pp_v: float) -> LoopFound:
        """Take the levels one by one, and return what they say."""
        quiet = quiet_check_of(self._source.info, listen(self._source, _QUIET_S))
        if not quiet.is_quiet:
            raise LoopFault(
                "a signal is there though the generator is off; stop the drive's motor, switch "
                "the generator's output off, and check again"
            )
        self._tell(
            f"Set the generator to a sine of {self._hz / 1e3:.4g} kHz, its output off. At each "
            "level switch the output on and off, each for about half a second, "
            f"{STRETCHES} times or more; a generator that keys its carrier by itself may do it."
        )
        levels: list[_Level] = []
        for part in _PARTS:
            level = self._take(part * highest_pp_v, wanted=bool(levels))
            if level is None:
                break
            if level.passes:
                levels.append(level)
        return self._found(quiet, levels)

    def _take(self, volts_pp: float, *, wanted: bool) -> _Level | None:
        """Take one level, one without answers where it is below what answers; None at clipping."""
        for _ in range(_TRIES):
            stated_pp = self._hand.set_level(volts_pp)
            listen(self._source, _DRAIN_S)
            self._tell(f"switch it on and off now, for {LISTEN_S:.0f} s")
            heard = listen(self._source, LISTEN_S)
            if heard.clipped:
                self._tell("the input clips here; the levels below it are taken")
                return None
            stated = Toleranced(0.5 * stated_pp.value, stated_pp.part)
            values = heard.stretches[-1][:, self._column].astype(np.float64)
            passes = keyed_passes(values, self._rate_hz)
            if passes or not wanted:
                level = _Level(stated, passes, float(np.abs(values).max()))
                self._tell(self._answer_words(level))
                return level
            self._tell(_NOT_CLEAN)
        raise LoopFault(f"{_NOT_CLEAN}; nothing is kept")

    def _answer_words(self, level: _Level) -> str:
        if not level.passes:
            return "nothing comes through yet; the next level is higher"
        full_v = self._source.info.full_scale_v or 1.0
        return f"{100.0 * level.answer_v / full_v:.3g} % of the input's full scale"

    def _found(self, quiet: QuietCheck, levels: list[_Level]) -> LoopFound:
        if not levels:
            raise LoopFault(
                "nothing came back at any level: check the cable, that the generator's output is "
                "on, and that this is the input"
            )
        # By their tops: behind a coupling an answer is told by what has fallen below the limit too.
        rises = [Rise(each.stated.value, each.top_v, each.top_v) for each in levels]
        if any(after.level <= before.level for before, after in pairwise(rises)):
            raise LoopFault("the levels that were stated do not rise; check again from the first")
        limit_v = limit_of_outputs(rises)
        if limit_v is not None:
            levels = [each for each in levels if each.top_v < _BELOW_LIMIT * limit_v]
        if len(levels) < _FEWEST:
            raise LoopFault(
                f"{len(levels)} levels answered below where the input clips, and {_FEWEST} are "
                "needed; choose another highest level, or turn the input's gain"
            )
        amplitudes = np.array([each.stated.value for each in levels])
        tolerance = max(each.stated.part for each in levels)
        law = law_at_levels([each.passes for each in levels], amplitudes, tolerance)
        return LoopFound(
            quiet,
            float(amplitudes[-1]),
            self._hz,
            limit_v or 0.0,
            limit_v or max(each.top_v for each in levels),
            detector=law,
            stated_part=tolerance,
        )


_NOT_CLEAN = (
    "the carrier was not seen to go on and off cleanly; switch the output itself, not its level, "
    "and begin with it off"
)
