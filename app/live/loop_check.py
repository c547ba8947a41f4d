"""An input, and the probe ahead of it, measured with the sound card's own output.

The level begins near nothing and doubles until the input has enough, then goes on in small steps to
where tops are cut; each is told before it is played. Nothing comes of a check that fails, and the
output is silent however one ends.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.converter import step_of
from app.analysis.frontend.bend import Rise, limit_of_outputs, limit_of_tones
from app.analysis.frontend.detector import DetectorLaw, detector_law
from app.analysis.frontend.linear import LinearPath, linear_path, linear_score
from app.analysis.frontend.score import Score, ToneBurst, bin_means, found_at, tone_in_bins
from app.analysis.frontend.sine import fit_at
from app.live.source_check import HeardFrames, QuietCheck, listen, quiet_check_of
from instruments.source import Role, Source, SourceError

Floats = NDArray[np.float64]
Tell = Callable[[str], None]

_QUIET_S, _QUICK_QUIET_S = 2.0, 1.5
_FIRST_LEVEL = 2.0**-9
_KNOWN_STEPS = (1.0 / 64.0, 1.0 / 8.0, 1.0)
"""Parts of a level that had been enough before, on the way to it."""
_ENOUGH_PART = 0.3
"""The level rises until what comes back has so much of the input's full scale."""
_FINE_STEP = 2.0**0.25
"""From there on, to where what comes back is cut."""
_BELOW_LIMIT = 0.9
"""What is measured stays so far below it."""
_SURE_OF_BEND = 30.0
"""Over a quiet input: of less no bend is told."""
_STRETCH_BINS = 50
_ANSWERS = 6.0
"""Over the largest of a quiet input."""
_SETTLE_S = 0.7
"""From playing to having heard it: a sound server may take half a second."""
_TRAIL_S = 1.5
_BAND_PART = 0.8
_LEVELS, _PASSES = 30, 4
_QUICK_LEVELS, _QUICK_PASSES = 12, 3
_ON_S, _OFF_S = 0.053, 0.050
"""Their sum is no whole number of cycles of either mains."""
_CLEARLY = 2.0
_TRIES = 3
_OTHER_SOUND = 3.0
STEADY_S = 40
"""A tone for a meter ends after so long by itself."""
NOT_QUIET = (
    "a signal is there before anything is played; stop the drive's motor and every program that "
    "plays, and check again"
)


class LoopFault(SourceError):  # noqa: N818
    """What came back tells nothing; the sentence says what to mend."""


class Player(Protocol):
    """An output that plays what it is given, and is silent otherwise."""

    @property
    def name(self) -> str:
        """What a person knows it by."""
        ...

    @property
    def outputs(self) -> int:
        """Channels."""
        ...

    def play(self, samples: NDArray[np.float32]) -> None:
        """Play float32, shape (frames, outputs), within ±1, after what is being played."""
        ...

    def silence(self) -> None:
        """Drop what is not played yet."""
        ...


class SilentPlayer(Player, Protocol):
    """A player that can be let go of."""

    def close(self) -> None:
        """Fall silent and let go of the output."""
        ...


@dataclass(frozen=True, slots=True)
class LoopFound:
    """What a check by the output found.

    Attributes
    ----------
    quiet : QuietCheck
        The input with nothing played.
    level, hz : float
        Highest peak that was played, as a part of full scale, or in volts where a generator gave
        it; frequency of the main tone.
    limit_v : float
        Where tops are cut though the converter is not at its full scale, 0 where they are not.
    straight_v : float
        The highest that came back as it should; 0 where that was not looked for.
    detector, linear : DetectorLaw or None, LinearPath or None
        One of them: with an envelope column, or without.
    stated_part : float or None
        Tolerance of a generator's stated volts, as a part of them; None where a card played.
    """

    quiet: QuietCheck
    level: float
    hz: float
    limit_v: float = 0.0
    straight_v: float = 0.0
    detector: DetectorLaw | None = None
    linear: LinearPath | None = None
    stated_part: float | None = None

    @property
    def gain_v(self) -> float:
        """The peak that an output at full scale (or a volt) brings, far above a detector's knee."""
        if self.detector is not None:
            return float(self.detector.in_v[-1]) / self.level
        assert self.linear is not None
        return float(np.mean(self.linear.gain_v))


@dataclass(frozen=True, slots=True)
class _Answer:
    """What came back, of each column: largest move of the level, largest tone, highest place."""

    moves: Floats
    tones: Floats
    tops: Floats
    clipped: bool


@dataclass(frozen=True, slots=True)
class _Levels:
    """Which level is enough, where tops are cut (0: nowhere), and what was heard uncut."""

    enough: float
    limit_v: float
    straight_v: float


def check_loop(
    source: Source,
    player: Player,
    carrier_hz: float,
    tell: Tell,
    *,
    at_most: float = 1.0,
    quick: bool = False,
    known_level: float | None = None,
) -> LoopFound:
    """Measure an open source's input, and the probe, by what is played.

    Parameters
    ----------
    carrier_hz : float
        What the drive's signal will have; the tone is near it, or as near as the input's band lets.
    tell : callable
        Told what is played, in a sentence, before it is.
    at_most : float
        Highest peak to be played, as a part of the output's full scale.
    quick : bool
        Fewer levels: for looking whether what is known still holds.
    known_level : float, optional
        What had been enough before; it is gone to in three steps.

    Raises
    ------
    LoopFault
        When nothing usable came back.
    SourceError
        When the source cannot be read.
    """
    try:
        check = _LoopCheck(source, player, carrier_hz, tell, quick=quick)
        return check.run(_levels(at_most, known_level), at_most)
    finally:
        player.silence()


def play_steady(player: Player, rate_hz: float, hz: float, level: float) -> None:
    """Play a steady tone for :data:`STEADY_S`, or until the player is silenced."""
    # In each second a whole number of periods, so that the pieces join.
    phase = 2.0 * np.pi * round(hz) * np.arange(round(rate_hz)) / round(rate_hz)
    tone = (level * np.sin(phase)).astype(np.float32)
    second = np.repeat(tone[:, None], player.outputs, axis=1)
    for _ in range(STEADY_S):
        player.play(second)


def _levels(at_most: float, known: float | None) -> Iterator[float]:
    """Yield the levels that are tried, rising: to what is allowed, or to what is known."""
    if known is not None:
        yield from (min(part * known, at_most) for part in _KNOWN_STEPS)
        return
    level = min(_FIRST_LEVEL, at_most)
    while level < at_most:
        yield level
        level *= 2.0
    yield at_most


class _LoopCheck:
    """One check, from listening to the result."""

    def __init__(
        self,
        source: Source,
        player: Player,
        carrier_hz: float,
        tell: Tell,
        *,
        quick: bool,
    ) -> None:
        self._source, self._player, self._tell = source, player, tell
        self._quick = quick
        info = source.info
        self._rate_hz = info.sample_rate_hz
        self._roles = info.roles
        self._hz = min(carrier_hz, _BAND_PART * info.bandwidth_hz)
        self._full_v = info.full_scale_v or 1.0
        self._detects = Role.ENVELOPE in info.roles
        wanted = (Role.ENVELOPE,) if self._detects else (Role.PLUS, Role.MINUS, Role.DIFFERENTIAL)
        self._columns = [n for n, role in enumerate(info.roles) if role in wanted]

    def run(self, levels: Iterator[float], at_most: float) -> LoopFound:
        """Listen, find the level, play and measure."""
        heard = listen(self._source, _QUICK_QUIET_S if self._quick else _QUIET_S)
        quiet = quiet_check_of(self._source.info, heard)
        if not quiet.is_quiet:
            raise LoopFault(NOT_QUIET)
        self._floor = self._answer_of(heard)
        found = self._find_levels(levels, at_most)
        roughness = _roughness(self._joined(heard)[:, self._columns])
        for _ in range(_TRIES):
            measured = self._measure(found, roughness, quiet)
            if measured.detector is None or measured.detector.is_steady:
                return measured
        raise LoopFault(
            "what came back was not the same twice; let nothing else keep the computer busy, see "
            "to loose plugs, and check again"
        )

    # -- the level ------------------------------------------------------------------------------

    def _find_levels(self, levels: Iterator[float], at_most: float) -> _Levels:
        """Find a level at which the input has enough and does not clip; and where tops are cut."""
        tried: list[tuple[float, _Answer]] = []
        best: tuple[float, _Answer] | None = None
        rises: dict[int, list[Rise]] = {column: [] for column in self._columns}
        limit_v = None
        for level in levels:
            answer = self._play_once(level)
            tried.append((level, answer))
            own = self._own(answer)
            enough = float(own[self._columns].max()) > _ENOUGH_PART * self._full_v
            if not answer.clipped and self._answers(own, self._own(self._floor)):
                limit_v = self._limit_with(rises, level, answer)
                if limit_v is None or best is None:
                    best = level, answer
            if answer.clipped or enough or limit_v is not None:
                break
        if best is None:
            raise LoopFault(self._why_nothing(*tried[-1]))
        # Not before: in its knee a detector lets more of the tone through than it detects.
        self._refuse_other_kind(best[1])
        if self._quick:
            return _Levels(best[0], 0.0, 0.0)
        clipped = tried[-1][1].clipped
        level = best[0]
        while limit_v is None and not clipped and level < at_most:
            level = min(_FINE_STEP * level, at_most)
            answer = self._play_once(level)
            clipped = answer.clipped
            if not clipped:
                limit_v = self._limit_with(rises, level, answer)
        return self._below(best[0], rises, limit_v, clipped=clipped)

    def _below(
        self,
        enough: float,
        rises: dict[int, list[Rise]],
        limit_v: float | None,
        *,
        clipped: bool,
    ) -> _Levels:
        """Return what was found, with a level that is not cut."""
        every = [one for column in self._columns for one in rises[column]]
        if limit_v is None:
            straight_v = self._full_v if clipped else max((one.top for one in every), default=0.0)
            return _Levels(enough, 0.0, straight_v)
        cut = min((one.level for one in every if one.top >= _BELOW_LIMIT * limit_v), default=enough)
        low = [one.level for one in every if one.level < cut]
        return _Levels(min(enough, max(low, default=enough)), limit_v, limit_v)

    def _limit_with(
        self, rises: dict[int, list[Rise]], level: float, answer: _Answer
    ) -> float | None:
        """Take one more level, and return where tops are cut as far as is seen by now."""
        own, floor = self._own(answer), self._own(self._floor)
        limit_of = limit_of_outputs if self._detects else limit_of_tones
        limits: list[float] = []
        for column, risen in rises.items():
            if own[column] > _SURE_OF_BEND * floor[column]:
                top = float(answer.tops[column])
                risen.append(Rise(level, float(own[column]) if self._detects else top, top))
            limit_v = limit_of(risen)
            if limit_v is not None:
                limits.append(limit_v)
        return min(limits, default=None)

    def _own(self, answer: _Answer) -> Floats:
        return answer.moves if self._detects else answer.tones

    def _answers(self, own: Floats, floor: Floats) -> bool:
        return bool(np.any(own[self._columns] > _ANSWERS * floor[self._columns] + 1e-6))

    def _play_once(self, level: float) -> _Answer:
        self._tell(f"plays {100.0 * level:.3g} % of full scale, {self._hz / 1e3:.4g} kHz")
        score = Score((ToneBurst((level,), self._hz),), 0.15, 0.02)
        self._player.play(score.samples(self._rate_hz, self._player.outputs))
        return self._answer_of(listen(self._source, score.seconds + _SETTLE_S))

    def _answer_of(self, heard: HeardFrames) -> _Answer:
        values = self._joined(heard)
        moves, tones, tops = [], [], []
        for column in range(values.shape[1]):
            bins, _ = bin_means(values[:, column], self._rate_hz)
            moves.append(float(np.abs(bins - np.median(bins)).max()))
            tone, _ = tone_in_bins(values[:, column], self._rate_hz, self._hz)
            tones.append(float(tone.max()))
            tops.append(self._top_of(values[:, column], tone))
        return _Answer(np.array(moves), np.array(tones), np.array(tops), heard.clipped)

    def _top_of(self, values: Floats, tone: Floats) -> float:
        """Return the highest place of an output; of a tone its peak, over its strongest stretch."""
        if self._detects:
            return float(np.abs(values).max())
        # A bin of a millisecond holds no whole number of cycles.
        first = int(np.convolve(tone, np.ones(_STRETCH_BINS), mode="valid").argmax())
        frames = len(values) // len(tone)
        stretch = values[first * frames : (first + _STRETCH_BINS) * frames]
        return fit_at(stretch, self._hz / self._rate_hz).amplitude

    def _refuse_other_kind(self, answer: _Answer) -> None:
        """Refuse a tone where an envelope was named, and the other way round."""
        tone, move = (float(each[self._columns].max()) for each in (answer.tones, answer.moves))
        if self._detects and tone > _CLEARLY * move:
            raise LoopFault(
                "the tone itself comes back, and not its envelope: there is no detector in the "
                "path; name the column differential, or connect the probe"
            )
        if not self._detects and move > _CLEARLY * tone:
            raise LoopFault(
                "the envelope of the tone comes back, and not the tone: there is a detector in the "
                "path; name the column envelope"
            )

    def _why_nothing(self, level: float, answer: _Answer) -> str:
        """Return the sentence for what did not come back as it should."""
        percent = f"{100.0 * level:.3g} % of full scale"
        if answer.clipped:
            return (
                f"the input clips at {percent} before anything below it can be measured; turn its "
                "gain or the output's volume down"
            )
        tones, moves = answer.tones, answer.moves
        heard_tone = tones > _ANSWERS * self._floor.tones + 1e-6
        heard_move = moves > _ANSWERS * self._floor.moves + 1e-6
        others = [n for n in range(len(tones)) if n not in self._columns]
        for column in others:
            if heard_tone[column] or heard_move[column]:
                return (
                    f"what was played came back on the column named {self._roles[column]} and not "
                    "on the signal's; swap the plugs, or name the columns with --roles"
                )
        return (
            f"nothing came back up to {percent}: check the cable, that “{self._player.name}” is "
            "the output that is wired and is neither muted nor turned down, and that this is the "
            "input"
        )

    # -- the measurement ------------------------------------------------------------------------

    def _measure(self, found: _Levels, quiet_roughness: float, quiet: QuietCheck) -> LoopFound:
        level = found.enough
        score, passes = self._score(level)
        self._tell(
            f"plays tones of up to {100.0 * level:.3g} % of full scale for {score.seconds:.0f} s"
        )
        self._player.play(score.samples(self._rate_hz, self._player.outputs))
        heard = listen(self._source, score.seconds + _TRAIL_S)
        if heard.clipped:
            raise LoopFault("the input clipped while it was measured; turn its gain down a little")
        values = self._joined(heard)
        begin_s = found_at(*self._activity(values), score)
        if begin_s is None:
            raise LoopFault(_NOT_OURS)
        own = values[:, self._columns]
        self._refuse_other_sound(own, score, begin_s, quiet_roughness)
        if self._detects:
            law = detector_law(own[:, 0], self._rate_hz, score, begin_s, passes)
            return LoopFound(quiet, level, self._hz, found.limit_v, found.straight_v, detector=law)
        path = linear_path(own, self._rate_hz, score, begin_s, quiet.full_scale_v)
        return LoopFound(quiet, level, self._hz, found.limit_v, found.straight_v, linear=path)

    def _score(self, level: float) -> tuple[Score, int]:
        if not self._detects:
            outputs, quick = self._player.outputs, self._quick
            return linear_score(level, self._hz, self._rate_hz, outputs, quick=quick), 1
        count, passes = (_QUICK_LEVELS, _QUICK_PASSES) if self._quick else (_LEVELS, _PASSES)
        # Every level once in each pass, in an order that no drift goes along with.
        mixed = np.random.default_rng(0)
        steps = [n for _ in range(passes) for n in mixed.permutation(np.arange(1, count + 1))]
        bursts = tuple(ToneBurst((level * float(n) / count,), self._hz) for n in steps)
        return Score(bursts, _ON_S, _OFF_S), passes

    def _activity(self, values: Floats) -> tuple[Floats, float]:
        """Return the strength of what came back in bins of a millisecond, and a bin's length."""
        own = values[:, self._columns]
        if not self._detects:
            own = np.abs(own - own.mean(axis=0))
        return bin_means(own.sum(axis=1), self._rate_hz)

    def _refuse_other_sound(
        self, values: Floats, score: Score, begin_s: float, quiet_roughness: float
    ) -> None:
        """Compare the noise in the pauses with that of the quiet input."""
        paused = score.parts_of(np.arange(len(values)) / self._rate_hz - begin_s) == -1
        roughness = _roughness(values, paused[1:-1])
        # A quiet input may stand on one code; a coupling's decay goes through many.
        least = max(quiet_roughness, *map(step_of, values.T))
        if roughness > _OTHER_SOUND * least:
            raise LoopFault(
                "another sound was there while it was measured; stop every other program that "
                "plays, and check again"
            )

    # -- reading --------------------------------------------------------------------------------

    def _joined(self, heard: HeardFrames) -> Floats:
        if len(heard.stretches) > 1:
            raise LoopFault(
                "frames were lost while it was measured; close other programs, and check again"
            )
        return heard.stretches[0].astype(np.float64)


_NOT_OURS = (
    "what came back is not what was played; check that nothing else plays, and that the output is "
    "led to this input alone"
)


def _roughness(values: Floats, where: NDArray[np.bool_] | None = None) -> float:
    """Return the root mean square of the second differences: noise, and not a coupling's decay."""
    bends = np.diff(values, n=2, axis=0)
    return float(np.sqrt(np.mean((bends if where is None else bends[where]) ** 2)))
