"""The envelope as a function of time, and what every path to it has in common.

Bins of equal length lie on a grid of absolute frame indices, so that a place in the stream and a
place in the arrays are one division apart, across gaps too: a bin that a gap or a sample that is
not a number touches is there, and not ``ok``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from app.analysis.results import Message

Real = TypeVar("Real", bound=np.floating)

_AROUND = 9
_DIP_SIGMAS = 6.0
_DIP_PART = 0.08
_SPIKE_PART = 0.5


@dataclass(frozen=True, slots=True)
class Bins:
    """Consecutive bins of envelope.

    Attributes
    ----------
    first : int
        Number of the first bin: it covers frames ``first * frames`` to ``(first + 1) * frames``.
    power_v2 : numpy.ndarray
        float64, shape (n,): squared amplitude, its noise taken out; may be negative in noise.
    sigma_v : numpy.ndarray
        float64, shape (n,): standard deviation of the amplitude of one bin.
    carrier_hz : numpy.ndarray
        float64, shape (n,): local carrier; zeros for an envelope.
    ok : numpy.ndarray
        bool, shape (n,).
    phasor_v : numpy.ndarray or None
        complex128, shape (n,): the carrier in the middle of each bin, with its phase there; None of
        what has none.
    """

    first: int
    power_v2: NDArray[np.float64]
    sigma_v: NDArray[np.float64]
    carrier_hz: NDArray[np.float64]
    ok: NDArray[np.bool_]
    phasor_v: NDArray[np.complex128] | None = None


class EnvelopeSeries:
    """A growing run of bins of equal length.

    Parameters
    ----------
    noise_known : float
        Part of itself to which the noise's power is known in a stretch without a carrier.
    """

    def __init__(self, frames_a_bin: int, noise_known: float = 0.2) -> None:
        self.frames_a_bin = frames_a_bin
        self.noise_known = noise_known
        self.first = 0
        self._count = 0
        self._values = np.zeros((3, 0))
        self._phasors = np.zeros(0, dtype=np.complex128)
        self._ok = np.zeros(0, dtype=np.bool_)
        self._found_strays = np.zeros((2, 0), dtype=np.bool_)
        self._strays_for = (0, 0)

    @property
    def end(self) -> int:
        """Number of the bin after the last."""
        return self.first + self._count

    @property
    def end_frame(self) -> int:
        """Absolute index of the frame after the last bin."""
        return self.end * self.frames_a_bin

    @property
    def frames(self) -> int:
        """Frames that all bins kept cover."""
        return self._count * self.frames_a_bin

    @property
    def power_v2(self) -> NDArray[np.float64]:
        """Squared amplitude of every bin kept, shape (n,)."""
        return self._values[0, : self._count]

    @property
    def sigma_v(self) -> NDArray[np.float64]:
        """Standard deviation of every bin's amplitude, shape (n,)."""
        return self._values[1, : self._count]

    @property
    def carrier_hz(self) -> NDArray[np.float64]:
        """Local carrier of every bin, shape (n,)."""
        return self._values[2, : self._count]

    @property
    def phasor_v(self) -> NDArray[np.complex128]:
        """The carrier with its phase in the middle of every bin, shape (n,); zeros of no phase."""
        return self._phasors[: self._count]

    @property
    def ok(self) -> NDArray[np.bool_]:
        """Whether every sample under a bin was there, shape (n,)."""
        return self._ok[: self._count]

    @property
    def amplitude_v(self) -> NDArray[np.float64]:
        """Amplitude of every bin, shape (n,)."""
        return amplitude_of(self.power_v2, self.sigma_v)

    def amplitude_in(self, bins: slice[int, int, None]) -> NDArray[np.float64]:
        """Return the amplitude of the bins of a slice of the arrays."""
        return amplitude_of(self.power_v2[bins], self.sigma_v[bins])

    def spikes(self) -> NDArray[np.bool_]:
        """Return which bins stand out above their neighbours, shape (n,)."""
        return self._strays()[1]

    def strays_and_edges(self) -> NDArray[np.bool_]:
        """Return which bins stand out, and those beside them, shape (n,).

        A drop-out or a spike of a bin or three stands away from the middle one of the nine bins
        around it, whatever the slope there; a lobe's own shape does not.
        """
        dips, spikes = self._strays()
        return with_neighbours(dips | spikes)

    def _strays(self) -> NDArray[np.bool_]:
        """Return which bins have fallen out, and which are spikes, shape (2, n)."""
        if self._strays_for != (self.first, self._count):
            self._strays_for = (self.first, self._count)
            self._found_strays = self._find_strays()
        return self._found_strays

    def _find_strays(self) -> NDArray[np.bool_]:
        amplitude = self.amplitude_v
        if amplitude.size < _AROUND:
            return np.zeros((2, amplitude.size), dtype=np.bool_)
        middle = middle_of_nine(np.pad(amplitude, _AROUND // 2, mode="edge"))
        away = np.maximum(_DIP_SIGMAS * self.sigma_v, _DIP_PART * middle)
        # A spike is no spike in an empty stretch's noise or at the foot of a lobe.
        high = np.maximum(away, _SPIKE_PART * float(np.sqrt(np.mean(amplitude**2))))
        return np.stack([amplitude < middle - away, amplitude > middle + high])

    def append(self, bins: Bins) -> None:
        """Add bins, in place of those that are there; a jump forward leaves some not ``ok``."""
        if not self._count:
            self.first = bins.first
        start = bins.first - self.first
        count = max(self._count, start + len(bins.ok))
        self._reserve(count)
        self._values[:, self._count : start] = 0.0
        self._phasors[self._count : start] = 0.0
        self._ok[self._count : start] = False
        end = start + len(bins.ok)
        self._values[0, start:end] = bins.power_v2
        self._values[1, start:end] = bins.sigma_v
        self._values[2, start:end] = bins.carrier_hz
        self._phasors[start:end] = 0.0 if bins.phasor_v is None else bins.phasor_v
        self._ok[start:end] = bins.ok
        self._count = count
        self._strays_for = (0, 0)

    def lose(self, lost: NDArray[np.bool_]) -> None:
        """Let bins be not ``ok`` any more; `lost` has shape (n,)."""
        self._ok[: self._count] &= ~lost

    def forget_before(self, frame: float) -> None:
        """Drop bins that end before `frame`."""
        drop = min(int(frame // self.frames_a_bin) - self.first, self._count)
        if drop <= self._count // 2:
            return  # moving the rest costs more than keeping it
        self._values[:, : self._count - drop] = self._values[:, drop : self._count]
        self._phasors[: self._count - drop] = self._phasors[drop : self._count]
        self._ok[: self._count - drop] = self._ok[drop : self._count]
        self._count -= drop
        self.first += drop

    def centre_frame(self, number: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the frame at the middle of each bin of that number."""
        return (number + np.float64(0.5)) * self.frames_a_bin - 0.5

    def centres_in(self, bins: slice[int, int, None]) -> NDArray[np.float64]:
        """Return the frame at the middle of each bin of a slice of the arrays."""
        numbers = np.arange(bins.start, bins.stop, dtype=np.int64)
        return self.centre_frame(numbers + self.first)

    def around(
        self, frames: NDArray[np.float64], half: int
    ) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Return places in the arrays of the bins nearest to frames, and which rows are whole.

        Parameters
        ----------
        frames : numpy.ndarray
            float64, shape (rows,).
        half : int
            So many bins on either side of each nearest one.

        Returns
        -------
        tuple of numpy.ndarray
            int64, shape (rows, 2 half + 1), zeros of a row that is not all kept; bool, shape
            (rows,): all of a row's bins are there and ``ok``.
        """
        nearest = np.round((frames + 0.5) / self.frames_a_bin - 0.5).astype(np.int64)
        place = nearest[:, None] + np.arange(-half, half + 1) - self.first
        whole: NDArray[np.bool_] = (place[:, 0] >= 0) & (place[:, -1] < self._count)
        place = np.where(whole[:, None], place, 0)
        whole[whole] = self.ok[place[whole]].all(axis=1)
        return place, whole

    def first_from(self, frame: float) -> int:
        """Return the number of the oldest bin that begins at a frame or after it."""
        return max(self.first, int(np.ceil(frame / self.frames_a_bin)))

    def bins_between(self, start_frame: float, end_frame: float) -> slice[int, int, None]:
        """Return the slice of the arrays whose bins lie wholly between two frames."""
        low = int(np.ceil(start_frame / self.frames_a_bin)) - self.first
        high = int(np.floor(end_frame / self.frames_a_bin)) - self.first
        low = min(max(low, 0), self._count)
        return slice(low, min(max(high, low), self._count))

    def _reserve(self, count: int) -> None:
        room = self._ok.size
        if count <= room:
            return
        room = max(count, 2 * room, 1024)
        values = np.zeros((3, room))
        values[:, : self._count] = self._values[:, : self._count]
        phasors = np.zeros(room, dtype=np.complex128)
        phasors[: self._count] = self._phasors[: self._count]
        ok = np.zeros(room, dtype=np.bool_)
        ok[: self._count] = self._ok[: self._count]
        self._values, self._phasors, self._ok = values, phasors, ok


class SignalPath:
    """A way from samples to an envelope; each kind of signal has its own.

    A path adds bins to its series. When it has to begin anew, because a carrier was found or lost,
    it makes a new series and counts ``starts`` up. Where a kind has nothing of its own to say,
    what stands here holds.
    """

    def __init__(self, series: EnvelopeSeries | None) -> None:
        self.series = series
        """None until there is a carrier."""
        self.starts = 0 if series is None else 1
        self.step_v = 0.0
        """Step of the converter, 0 where none shows."""

    @property
    def fault(self) -> Message | None:
        """Why there is no usable envelope now, None when there is."""
        return None

    @property
    def notes(self) -> tuple[Message, ...]:
        """What the user should know of the signal beside any number."""
        return ()

    def effects_v(
        self, centre_frames: NDArray[np.float64], heights_v: tuple[float, float]
    ) -> NDArray[np.float64]:
        """Return by how much each cause moves both heights, for one standard uncertainty of it.

        Parameters
        ----------
        centre_frames : numpy.ndarray
            float64, shape (n, 2): middles of first and second lobes.
        heights_v : tuple of float
            Mean heights of both.

        Returns
        -------
        numpy.ndarray
            float64, shape (causes, 2), the causes independent of one another.
        """
        del centre_frames, heights_v
        return np.zeros((0, 2))

    def untold_v(self, heights_v: tuple[float, float]) -> NDArray[np.float64]:
        """Return by how much what no record tells moves mean heights, for one u of it, shape (2,).

        It is the same in each record of a signal, and does not average out.
        """
        del heights_v
        return np.zeros(2)

    def steps_u_v(self, fall_v: float) -> float:
        """Return the standard uncertainty of a top from steps; elsewhere in effects.

        `fall_v` is how far it falls within what is fitted, 0 of a level that stands still.
        """
        del fall_v
        return 0.0

    @property
    def noise_v2(self) -> float:
        """Noise power of the differential in the full sampled band; 0 where it is not known."""
        return 0.0

    def push(self, samples_v: NDArray[np.float32], first_index: int) -> None:
        """Take the next samples, float32, shape (frames, channels), in volts, C-contiguous."""
        raise NotImplementedError

    def flush(self) -> None:
        """Finish what waits for more samples."""

    def clipped_between(self, start_frame: float, end_frame: float) -> bool:
        """Return whether the signal was clipped in any stretch that touches these frames."""
        del start_frame, end_frame
        return False

    def reaches_rail_between(self, start_frame: float, end_frame: float) -> bool:
        """Return whether tops were cut at a converter's rail, between these frames alone.

        Over a long stretch one top that is whole hides all others, which stand lower.
        """
        del start_frame, end_frame
        return False

    def forget_before(self, frame: float) -> None:
        """Drop what is older."""
        if self.series is not None:
            self.series.forget_before(frame)

    def _append(self, bins: Bins) -> None:
        assert self.series is not None
        self.series.append(bins)


def amplitude_of(
    power_v2: NDArray[np.float64], sigma_v: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return amplitudes, unbiased to second order in the noise.

    The power has both quadratures' noise taken out; a root is unbiased with one of the two taken
    out, so one is given back.
    """
    return np.sqrt(np.maximum(power_v2 + sigma_v**2, 0.0))


def with_neighbours(chosen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the chosen places and those beside them, along the last axis."""
    wider = chosen.copy()
    wider[..., 1:] |= chosen[..., :-1]
    wider[..., :-1] |= chosen[..., 1:]
    return wider


def extreme_of_runs(extreme: np.ufunc, values: NDArray[Real], stretch: int) -> NDArray[Real]:
    """Return np.maximum or np.minimum over each run of so many neighbours, along the first axis."""
    # Over twice as many with each step; the last overlaps.
    reached = 1
    while reached < stretch:
        step = min(reached, stretch - reached)
        values = extreme(values[:-step], values[step:])
        reached += step
    return values


def middle_of(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the median of each row's numbers, shape (rows,); NaN of a row that has none."""
    ordered = np.sort(values, axis=1)
    count = np.count_nonzero(~np.isnan(ordered), axis=1)
    rows = np.arange(len(ordered))
    return 0.5 * (ordered[rows, (count - 1) // 2] + ordered[rows, count // 2])


def middle_of_nine(values: NDArray[Real]) -> NDArray[Real]:
    """Return the median of each run of nine neighbours, shape (n - 8,) of values of shape (n,).

    Of three sorted triples the middle one of nine is the middle one of three: the greatest of the
    lowest, the middle of the middle and the lowest of the greatest. Neighbours share the triples.
    """
    triples = _sorted_triple(values[:-2], values[1:-1], values[2:])
    lowest, middle, highest = ((each[:-6], each[3:-3], each[6:]) for each in triples)
    greatest = np.maximum(np.maximum(lowest[0], lowest[1]), lowest[2])
    least = np.minimum(np.minimum(highest[0], highest[1]), highest[2])
    return _sorted_triple(greatest, _sorted_triple(*middle)[1], least)[1]


def _sorted_triple(
    one: NDArray[Real], other: NDArray[Real], third: NDArray[Real]
) -> tuple[NDArray[Real], NDArray[Real], NDArray[Real]]:
    """Return the lowest, the middle and the highest of three, place by place."""
    low, high = np.minimum(one, other), np.maximum(one, other)
    middle = np.maximum(low, np.minimum(high, third))
    return np.minimum(low, third), middle, np.maximum(high, third)


def median_of(values: NDArray[np.floating]) -> float:
    """Return the median of numbers, shape (n,), n at least 1."""
    # np.median's own checks take ten times as long as so few values.
    below, above = (values.size - 1) // 2, values.size // 2
    ordered = values.copy()
    ordered.partition((below, above))
    return float(0.5 * (ordered[below] + ordered[above]))


def quantile_of(values: NDArray[np.float64], part: float) -> float:
    """Return a quantile of values, shape (n,), n at least 1, straight between two of them.

    It is NaN where one of them is.
    """
    # As np.quantile does by itself, whose own checks take many times as long as so few values.
    if math.isnan(values.max()):
        return math.nan
    place = part * (values.size - 1)
    below = int(place)
    above = min(below + 1, values.size - 1)
    ordered = values.copy()
    ordered.partition((below, above))
    low, high = float(ordered[below]), float(ordered[above])
    beyond = place - below
    step = high - low
    return low + step * beyond if beyond < 0.5 else high - step * (1.0 - beyond)


def sd_of_steps(steps: NDArray[np.floating]) -> float:
    """Return the standard deviation of one value from the steps between neighbours, shape (n,)."""
    # 1.4826 makes the median absolute deviation a normal distribution's standard deviation;
    # the difference of two values has twice the variance of one.
    return 1.4826 * median_of(np.abs(steps)) / float(np.sqrt(2.0))


def mean_by(
    place: NDArray[np.int64], values: NDArray[np.float64], places: int
) -> NDArray[np.float64]:
    """Return the mean of the values that share a place, shape (places,); 0 where there is none."""
    counts = np.bincount(place, minlength=places)
    sums = np.bincount(place, values, places).astype(np.float64)
    return sums / np.maximum(counts, 1)
