"""Raw samples on their way to an envelope, and the choice among the paths.

:class:`RawPath` looks for a carrier, demodulates at it, and looks again where it was lost or has
moved away.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from app.analysis import messages
from app.analysis.envelope.aliased import Ripple, loss_beyond
from app.analysis.envelope.carrier import (
    CARRIER_HIGH_OF_RATE,
    CARRIER_LOW_HZ,
    Demodulator,
    find_carrier,
)
from app.analysis.envelope.clipping import ClipWatch
from app.analysis.envelope.converter import step_of, tone_u_v
from app.analysis.envelope.detector import EnvelopePath
from app.analysis.envelope.mixing import seen_at
from app.analysis.envelope.peakdetect import MinMaxPath
from app.analysis.envelope.rails import RailWatch
from app.analysis.envelope.series import EnvelopeSeries, SignalPath
from app.analysis.envelope.setup import Setup
from app.analysis.results import Message

_SEARCH_S = 0.3
"""Longer than a turn: a lobe passes within it."""
_REVIEW_S = 0.1
"""How often the last such stretch is looked through for the carrier."""
_RAIL_FRAMES = 128
_MOST_LOSS = 0.005
"""With more taken off its tops by rails a signal is clipped; less is in u."""
_ASKED_S = 0.14
"""Whether a signal is clipped is asked about whole turns, none of them faster."""
_NOISE_KNOWN, _NOISE_KNOWN_LIVE = 0.2, 0.5
"""Where there is no carrier its local frequency follows the noise, the more the less it waits for:
blocks turned back by it have 3 % more power in noise than as many at random, live ones 28 % more
(run against noise between lobes, four blocks a bin)."""
_CHANCE, _OPEN_SIGMAS = 3.0, 2.0
"""Of what a harmonic tells squared so many variances are chance; so many u it leaves open."""
_BREAK = 1.6
"""Lobes further apart than this many of the usual ways have turns between that are left out."""
_WANDERED, _FOLLOWED = 0.035, 0.05
"""A carrier this part away from where the demodulator was set is followed, and where it is farther
away than is told apart, a new one is looked for."""


class RawPath(SignalPath):
    """Raw samples of the head's signal."""

    def __init__(self, setup: Setup, *, live: bool) -> None:
        super().__init__(None)
        self._live = live
        self._setup = setup
        self._columns = setup.columns
        self._rate_hz = setup.sample_rate_hz
        self._highest_hz = min(setup.bandwidth_hz, CARRIER_HIGH_OF_RATE * setup.sample_rate_hz)
        self._clips: ClipWatch | None = None
        self._rails = RailWatch(_RAIL_FRAMES, 0.0)
        self._ripple = Ripple(1, self._rate_hz)
        self._demodulator: Demodulator | None = None
        self._search: list[tuple[NDArray[np.float32], int]] = []
        self._searched = 0
        self._since_review = 0
        self._fault: Message | None = messages.WAITING

    @property
    def fault(self) -> Message | None:
        """Why there is no usable envelope now, None when there is."""
        if self._fault is None and self._demodulator is not None and self._demodulator.is_twice:
            return messages.PHASES_ALIKE
        return self._fault

    @property
    def noise_v2(self) -> float:
        """Noise power of the differential in the full sampled band."""
        return self._demodulator.noise_v2 if self._demodulator else 0.0

    @property
    def notes(self) -> tuple[Message, ...]:
        """What the user should know of the signal beside any number."""
        half = self._demodulator is not None and self._demodulator.is_half
        return (messages.DEAD_PHASE,) if half else ()

    def effects_v(
        self, centre_frames: NDArray[np.float64], heights_v: tuple[float, float]
    ) -> NDArray[np.float64]:
        """Return what steps do to either height, and bending and rails to the taller."""
        phases = len(self._columns.signals)
        effects = np.zeros((4, 2))
        for which, height_v in enumerate(heights_v):
            of_one = tone_u_v(self.step_v, height_v / phases, self.noise_v2 / phases)
            effects[which, which] = phases * of_one
        if self._clips is not None and centre_frames.size:
            stretch = float(centre_frames.min()), float(centre_frames.max())
            lower, upper = sorted(heights_v)
            beside = _stretches(centre_frames)
            bend = self._clips.bend_within(beside, lower / upper) if upper > 0.0 else 0.0
            bend = self._with_aliased(bend, centre_frames, int(np.argmax(heights_v)))
            loss = self._rails.loss_between(*stretch)
            effects[2, int(np.argmax(heights_v))] = bend * upper
            # With more it is clipped, and no u is asked for.
            effects[3, int(np.argmax(heights_v))] = loss * upper if loss <= _MOST_LOSS else 0.0
        return effects

    def _with_aliased(self, bend: float, centre_frames: NDArray[np.float64], taller: int) -> float:
        """Return the bend with what a harmonic tells that lies on the carrier."""
        assert self.series is not None
        lost = loss_beyond(self.series, centre_frames, taller, self._rate_hz)
        if lost is None:
            return bend
        beyond = float(np.sqrt(max(max(lost.value, 0.0) ** 2 - _CHANCE * lost.u**2, 0.0)))
        # What is assumed where nothing tells is no more than what this leaves open.
        return max(beyond, min(bend, beyond + _OPEN_SIGMAS * lost.u))

    def push(self, samples_v: NDArray[np.float32], first_index: int) -> None:
        """Take the next samples."""
        if self._demodulator is None:
            self._search.append((samples_v, first_index))
            self._searched += len(samples_v)
            if self._searched >= _SEARCH_S * self._rate_hz:
                self._look_for_carrier()
            return
        self._feed(samples_v, first_index)
        self._since_review += len(samples_v)
        if self._since_review >= _REVIEW_S * self._rate_hz:
            self._since_review = 0
            self._review(samples_v)

    def flush(self) -> None:
        """Finish what waits for more samples."""
        if self._demodulator is None and self._search:
            self._look_for_carrier()
        if self._demodulator is not None:
            for bins in self._demodulator.flush():
                self._append(self._ripple.taken_out(bins))

    def clipped_between(self, start_frame: float, end_frame: float) -> bool:
        """Return whether the signal was clipped in any stretch that touches these frames."""
        if self._clips is None:
            return False
        stretch = start_frame, end_frame
        return self.reaches_rail_between(*stretch) or self._clips.clipped_between(*stretch)

    def reaches_rail_between(self, start_frame: float, end_frame: float) -> bool:
        """Return whether many samples stand at one extreme between these frames."""
        return self._rails.loss_between(start_frame, end_frame) > _MOST_LOSS

    def forget_before(self, frame: float) -> None:
        """Drop what is older."""
        if self._clips is not None:
            self._clips.forget_before(frame)
        self._rails.forget_before(frame)
        super().forget_before(frame)

    def _feed(self, samples_v: NDArray[np.float32], first_index: int) -> None:
        assert self._demodulator is not None
        if self._clips is not None:
            self._clips.push(samples_v, first_index)
        self._rails.push(samples_v, first_index)
        for bins in self._demodulator.push(samples_v, first_index):
            self._append(self._ripple.taken_out(bins))

    def _look_for_carrier(self) -> None:
        waiting, self._search, self._searched = self._search, [], 0
        found = find_carrier(self._begun(waiting), self._rate_hz)
        if found is None:
            nominal_hz = seen_at(self._setup.carrier_hz, self._setup.mixed_hz)
            beyond = nominal_hz > self._highest_hz
            self._fault = messages.CARRIER_BEYOND if beyond else messages.NO_CARRIER
            return
        if found.frequency_hz > self._highest_hz:
            self._fault = messages.CARRIER_BEYOND
            return
        self._demodulator = Demodulator(
            self._columns,
            self._setup.channels,
            self._rate_hz,
            found.frequency_hz,
            live=self._live,
            longest_bin_s=self._setup.longest_bin_s,
        )
        known = _NOISE_KNOWN_LIVE if self._live else _NOISE_KNOWN
        self.series = EnvelopeSeries(self._demodulator.frames_a_bin, known)
        self._ripple = Ripple(self._demodulator.frames_a_bin, self._rate_hz)
        tone = self._demodulator.tone
        signals = self._columns.signals
        self.step_v = max(step_of(waiting[0][0][:, column]) for column in signals)
        self._clips = ClipWatch(signals, self._demodulator.known, tone, self.step_v)
        least_frames = _ASKED_S * self._rate_hz
        self._rails = RailWatch(_RAIL_FRAMES, self.step_v, signals, least_frames)
        self.starts += 1
        self._fault = None
        self._since_review = 0
        for samples_v, first_index in waiting:
            self._feed(samples_v, first_index)

    def _begun(self, waiting: list[tuple[NDArray[np.float32], int]]) -> NDArray[np.float32]:
        """Return as much of the differential as is searched for a carrier, shape (frames,)."""
        missing = round(_SEARCH_S * self._rate_hz)
        parts: list[NDArray[np.float32]] = []
        for samples_v, _ in waiting:
            parts.append(self._columns.differential_of(samples_v[:missing]))
            missing -= len(parts[-1])
        return np.concatenate(parts)

    def _review(self, samples_v: NDArray[np.float32]) -> None:
        """Look whether the carrier is still where the demodulator was set, or gone."""
        assert self._demodulator is not None
        assert self.series is not None
        recent = round(_SEARCH_S * self._rate_hz / self.series.frames_a_bin)
        power = np.maximum(self.series.power_v2[-recent:], 0.0)
        sigma2 = self.series.sigma_v[-recent:] ** 2
        strong = power > 25.0 * sigma2
        if np.count_nonzero(strong) < 3:
            self._fault = messages.NO_CARRIER
            self._try_elsewhere(samples_v)
            return
        self._fault = None
        carrier = self.series.carrier_hz[-recent:]
        mean_hz = float(np.average(carrier[strong], weights=power[strong]))
        away = abs(mean_hz / self._demodulator.carrier_hz - 1.0)
        if away > _FOLLOWED:
            self._begin_search()
        elif away > _WANDERED:
            self._follow(mean_hz)

    def _follow(self, carrier_hz: float) -> None:
        """Go on by another carrier, where the envelope goes on, too."""
        assert self._demodulator is not None
        assert self._clips is not None
        for bins in self._demodulator.follow(carrier_hz):
            self._append(self._ripple.taken_out(bins))
        self._clips.tune(self._demodulator.known, self._demodulator.tone)

    def _try_elsewhere(self, samples_v: NDArray[np.float32]) -> None:
        found = find_carrier(self._columns.differential_of(samples_v), self._rate_hz)
        assert self._demodulator is not None
        if found is None or not CARRIER_LOW_HZ <= found.frequency_hz <= self._highest_hz:
            return
        if abs(found.frequency_hz / self._demodulator.carrier_hz - 1.0) > _WANDERED:
            self._begin_search()

    def _begin_search(self) -> None:
        self._demodulator = None
        self._search.clear()
        self._searched = 0
        self._fault = messages.WAITING


def _stretches(centre_frames: NDArray[np.float64]) -> list[tuple[float, float]]:
    """Return from which lobe's middle to which there are lobes without a break, in frames."""
    middles = np.sort(centre_frames, axis=None)
    apart = np.diff(middles)
    breaks = np.flatnonzero(apart > _BREAK * float(np.median(apart))) if apart.size else apart
    return [(float(each[0]), float(each[-1])) for each in np.split(middles, breaks.astype(int) + 1)]


def path_for(setup: Setup, *, live: bool) -> SignalPath:
    """Return the path for the columns that carry the signal.

    Of a `live` one what is long past no longer counts; of a capture all does.
    """
    if setup.min_max:
        if setup.columns.envelope is not None:
            raise ValueError("min/max pairs are analysed as those of the differential")
        inputs = setup.inputs if setup.columns.minus is None else 2
        return MinMaxPath(setup.columns, setup.sample_rate_hz, inputs, setup.quiet_floor_v)
    if setup.columns.envelope is not None:
        return EnvelopePath(setup, live=live)
    return RawPath(setup, live=live)
