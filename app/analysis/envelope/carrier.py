"""Finding the pattern's carrier in raw samples, and demodulating at it.

The stream is cut into short blocks of some eight carrier periods. Over each, cosine, sine, a
constant and a slope are fitted to every signal column by least squares: the three-parameter sine
fit of IEEE 1057 with a slope, so that hum and offset do not leak into the amplitude. All fits
together are one matrix product, the only pass over the samples. Consecutive blocks make a bin:
within it they are turned back by the local carrier, tracked from block to block, and added.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from app.analysis.envelope.series import Bins, median_of
from app.analysis.envelope.setup import BIN_S, Columns

CARRIER_LOW_HZ = 20e3
"""Lowest carrier looked for."""
CARRIER_HIGH_OF_RATE = 0.45
"""Highest carrier looked for, as a part of the sample rate."""

_AT_ONCE = 16
"""So many segments at once, for a processor's nearest memory."""
_SEGMENT_S = 4e-3
"""Length of one spectrum: short beside a lobe, long beside a carrier's period."""
_MIN_PEAK_DB = 13.5
"""A line must stand this far over the mean of its spectrum. Of 2000 lines of white noise the
highest stands 8.8 dB over the mean on average, and one in 10 000 such spectra reaches 13."""


@dataclass(frozen=True, slots=True)
class CarrierFound:
    """The strongest line of a stretch of signal."""

    frequency_hz: float
    peak_to_mean_db: float


def find_carrier(signal_v: NDArray[np.float32], sample_rate_hz: float) -> CarrierFound | None:
    """Return the strongest line from 20 kHz to half the rate, or None where nothing stands out.

    The signal is cut into segments of some milliseconds; the one with the strongest line decides,
    since most of a turn may hold no signal at all.

    Parameters
    ----------
    signal_v : numpy.ndarray
        float32, shape (frames,): the differential, in volts.
    sample_rate_hz : float
        Frames a second.
    """
    size = 1 << max(8, int(np.log2(_SEGMENT_S * sample_rate_hz)))
    count = signal_v.size // size
    if count == 0:
        return None
    low = int(np.ceil(CARRIER_LOW_HZ * size / sample_rate_hz))
    low = max(low, 3)
    if size // 2 - low < 8:
        return None
    segments = signal_v[: count * size].reshape(count, size)
    # Single precision shows where the strongest line is; samples that are no numbers spoil theirs.
    parts = [segments[at : at + _AT_ONCE] for at in range(0, count, _AT_ONCE)]
    tops = np.concatenate([_spectra(part)[:, low:-1].max(axis=1) for part in parts])
    if np.isnan(tops).all():
        return None
    spectrum = _spectra(segments[[np.nanargmax(tops)]].astype(np.float64))[0]
    row = spectrum[low:-1]
    line = int(np.argmax(row))
    mean = (row.sum() - row[max(line - 2, 0) : line + 3].sum()) / row.size
    peak = float(row[line])
    if peak <= 0.0:
        return None
    over_db = 10.0 * np.log10(peak / max(float(mean), peak * 1e-12))
    if over_db < _MIN_PEAK_DB:
        return None
    centre = line + low + _line_offset(spectrum, line + low)
    return CarrierFound(float(centre * sample_rate_hz / size), float(over_db))


def _spectra(segments_v: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return the power spectra of segments, each a row, in their own precision."""
    steady = segments_v - segments_v.mean(axis=1, keepdims=True)
    steady *= np.hanning(segments_v.shape[1]).astype(segments_v.dtype)
    lines = np.fft.rfft(steady, axis=1)
    return lines.real**2 + lines.imag**2


def _line_offset(spectrum: NDArray[np.float64], line: int) -> float:
    """Return a peak's place between the lines: a parabola through the logarithms of three."""
    left, middle, right = np.log(np.maximum(spectrum[line - 1 : line + 2], 1e-300))
    curvature = left - 2.0 * middle + right
    return float(0.5 * (left - right) / curvature) if curvature < 0.0 else 0.0


_PERIODS_A_BLOCK = 8.0
"""Long enough to know the slope from the sine, short enough for 5 % of speed error."""
_TRACK_S = 4e-3
"""Half the length over which the local carrier is averaged."""
_LONG_TRACK_S, _TURN_U = 12e-3, 0.05
"""The same where the shorter length leaves it uncertain by so many radians in a bin: the blocks of
a bin that are turned back wrongly take more off a low lobe than off a tall one."""
_NEAR_BYTES = 1 << 19
"""So much is fitted at once that a second look finds it in a processor's nearer memory."""
_SAMPLE_EVERY, _SAMPLE_BLOCKS = 16, 64
"""Noise and gains are looked for in one block of so many, or more of them where there are few."""
_LOOKS = 32
"""So many looks at the noise are averaged."""
_DROWNS, _OTHER = 0.5, 30.0
"""Of what is noise to more than this part no carrier is seen, and noise of so many times another's
power is no chance."""
_AWAY = np.linspace(-np.pi, np.pi, 257)
"""Radians in a block by which a carrier may turn more than the one that is fitted."""
_DEAD_PART, _MIN_COMPARED, _KEPT_COMPARED = 0.1, 50, 2000
"""Phases that share less than this part of the stronger one's power are not a pair; of noise alone
so many blocks share a seventh."""
_ALIKE = 0.5
"""Opposite phases are correlated by nearly −1, and what is on one point by nearly 1."""
_MIN_SLOW, _MIN_CORRELATION = 64, 0.9
"""The phases' slow parts, of so many blocks, must agree this well before their gains are compared
by them."""


class Demodulator:
    """Turns a stream of samples into bins of envelope; the carrier may move by a twentieth.

    Parameters
    ----------
    live : bool
        Bins are waited for, so that noise is no reason to average the carrier over longer.
    longest_bin_s : float
        How long a bin may be, if blocks are not longer themselves.
    """

    def __init__(
        self,
        columns: Columns,
        channels: int,
        sample_rate_hz: float,
        carrier_hz: float,
        *,
        live: bool = True,
        longest_bin_s: float = float("inf"),
    ) -> None:
        self._signals = columns.signals
        self._channels = channels
        self.sample_rate_hz = sample_rate_hz
        self.block = max(12, round(_PERIODS_A_BLOCK * sample_rate_hz / carrier_hz))
        blocks_a_s = sample_rate_hz / self.block
        self._blocks_a_bin = max(1, int(min(round(BIN_S * blocks_a_s), longest_bin_s * blocks_a_s)))
        self.frames_a_bin = self.block * self._blocks_a_bin
        bins_a_s = sample_rate_hz / self.frames_a_bin
        self._track = max(1, round(_TRACK_S * bins_a_s))
        self._longest_track = self._track if live else max(1, round(_LONG_TRACK_S * bins_a_s))
        self._tune(carrier_hz)
        self._trim = 1.0
        """Weight of the plus phase; that of the minus phase is two less this."""
        self._in_common, self._in_each, self._compared = 0.0j, np.zeros(2), 0
        self.noise_v2 = 0.0
        """Noise power of the differential in the full sampled band, as last measured."""
        self._left = np.zeros((0, channels), dtype=np.float32)
        self._next_frame: int | None = None
        self._phasors = np.zeros((0,), dtype=np.complex64)
        self._noises: list[tuple[float, bool]] = []
        """Power of the newest looks, and whether the carrier was lost in it."""
        self._first_bin = 0
        self._emitted = 0

    def _tune(self, carrier_hz: float) -> None:
        """Fit blocks by a carrier of that frequency."""
        self.carrier_hz = carrier_hz
        # Of each sample in a block: its place from the middle, and the carrier's angle there.
        self._place = place = np.arange(self.block) - (self.block - 1) / 2.0
        self._angle = angle = 2.0 * np.pi * carrier_hz / self.sample_rate_hz * place
        self._turn_a_block = 2.0 * np.pi * carrier_hz * self.block / self.sample_rate_hz
        design = np.stack([np.cos(angle), -np.sin(angle), np.ones_like(angle), place], axis=1)
        self._fit = np.linalg.pinv(design)
        self._fits = self._fit_matrices()
        self._response = self._fit_response()
        self.known = self._known_matrix()

    def follow(self, carrier_hz: float) -> list[Bins]:
        """Go on with a carrier that has wandered so far; return the bins that are done.

        A block's phasor tells the carrier's phase in its middle, whatever it was fitted by.
        """
        done = self._finished(whole=True)
        turn = 2.0 * np.pi * carrier_hz * self.block / self.sample_rate_hz
        # What the next bin has already is as low as the fit so far left it.
        of_bin = self._emitted * self._blocks_a_bin
        self._phasors[of_bin:] /= np.interp(turn - self._turn_a_block, _AWAY, self._response)
        self._tune(carrier_hz)
        return done

    @property
    def tone(self) -> NDArray[np.float32]:
        """An orthonormal basis of the carrier within a block, float32, shape (block, 2)."""
        basis, _ = np.linalg.qr(np.stack([np.cos(self._angle), np.sin(self._angle)], axis=1))
        return basis.astype(np.float32)

    @property
    def is_half(self) -> bool:
        """Whether one of two phases carries nothing of the carrier that the other has."""
        shared = _DEAD_PART * float(self._in_each.max())
        return self._compared > _MIN_COMPARED and abs(self._in_common) < shared

    @property
    def is_twice(self) -> bool:
        """Whether two phases carry the same, so that what differs is hardly the signal."""
        shared = _ALIKE * float(np.sqrt(self._in_each.prod()))
        return self._compared > _MIN_COMPARED and self._in_common.real > shared

    def push(self, samples_v: NDArray[np.float32], first_index: int) -> list[Bins]:
        """Take the next samples and return the bins that they complete.

        Parameters
        ----------
        samples_v : numpy.ndarray
            float32, shape (frames, channels), C-contiguous, in volts.
        first_index : int
            Absolute index of the first frame; a jump forward is a gap.
        """
        done: list[Bins] = []
        if self._next_frame is None or first_index != self._next_frame + len(self._left):
            done = self.flush()
            # Bins lie on the absolute grid: what comes before the next bin's start is left out.
            skip = -first_index % self.frames_a_bin
            samples_v, first_index = samples_v[skip:], first_index + skip
            if not len(samples_v):
                return done
            self._first_bin = first_index // self.frames_a_bin
            self._next_frame = first_index
        if len(self._left):
            # Only the block that was begun is put together: the rest is used where it stands.
            missing = self.block - len(self._left)
            begun = np.concatenate([self._left, samples_v[:missing]])
            samples_v = samples_v[missing:]
            self._left = begun if len(begun) < self.block else begun[:0]
            if len(begun) == self.block:
                self._demodulate(begun)
        used = len(samples_v) - len(samples_v) % self.block
        if used:
            self._look_at_some(samples_v[:used])
            self._demodulate(samples_v[:used])
        if used < len(samples_v):
            self._left = samples_v[used:].copy()
        return [*done, *self._finished(whole=False)]

    def flush(self) -> list[Bins]:
        """Return the bins still waiting for their neighbours, and begin anew."""
        done = self._finished(whole=True)
        self._phasors = self._phasors[:0]
        self._left = self._left[:0]
        self._emitted = 0
        self._next_frame = None
        return done

    def _fit_matrices(self) -> list[NDArray[np.float32]]:
        """Return for each signal column the matrix (block · channels, 3) that fits it.

        Cosine, minus sine and constant: the first two are the carrier's phasor.
        """
        matrices = np.zeros((len(self._signals), self.block, self._channels, 3), dtype=np.float32)
        for matrix, column in zip(matrices, self._signals, strict=True):
            matrix[:, column] = self._fit[:3].T
        return [matrix.reshape(-1, 3) for matrix in matrices]

    def _fit_response(self) -> NDArray[np.float64]:
        """Return what the fit of a block leaves of a carrier, at each of `_AWAY`.

        Constant and slope take their part of it, so that it is not quite a block's sinc.
        """
        cosine, sine = self._fit[:2]
        seen = self._angle[:, None] + self._place[:, None] / self.block * _AWAY
        return 0.5 * (cosine @ np.cos(seen) - sine @ np.sin(seen))

    def _known_matrix(self) -> NDArray[np.float32]:
        """Return an orthonormal basis (block, k) of all that is not noise within a block.

        Constant and slope, carrier and its change over the block (the fourth parameter of the
        sine fit), second and third harmonic where they fall.
        """
        angle, place = self._angle, self._place
        far = place / self.block
        columns = [np.ones_like(far), far]
        for harmonic in (1, 2, 3):
            for power in range(3 if harmonic == 1 else 2):
                columns.append(np.cos(harmonic * angle) * far**power)
                columns.append(np.sin(harmonic * angle) * far**power)
        # Aliased harmonics may fall on one another: keep the directions that are new.
        left, strength, _ = np.linalg.svd(np.stack(columns, axis=1), full_matrices=False)
        return left[:, strength > 1e-3 * strength[0]].astype(np.float32)

    def _demodulate(self, samples_v: NDArray[np.float32]) -> None:
        fit = self._fits[0][:, :2]
        if len(self._signals) == 2:
            weight = np.float32(self._trim)
            fit = weight * fit - (2 - weight) * self._fits[1][:, :2]
        blocks = samples_v.reshape(-1, self.block * self._channels)
        cosine, sine = np.ascontiguousarray(fit.T)
        parts = np.empty((2, len(blocks)), dtype=np.float32)
        rows = max(1, _NEAR_BYTES // (blocks.itemsize * blocks.shape[1]))
        # A vector at a time: a product with two columns takes longer than two with one.
        for at in range(0, len(blocks), rows):
            np.dot(blocks[at : at + rows], cosine, out=parts[0, at : at + rows])
            np.dot(blocks[at : at + rows], sine, out=parts[1, at : at + rows])
        phasors = np.empty(len(blocks), dtype=np.complex64)
        phasors.real, phasors.imag = parts
        self._phasors = np.concatenate([self._phasors, phasors])
        self._next_frame = (self._next_frame or 0) + len(samples_v)

    def _look_at_some(self, samples_v: NDArray[np.float32]) -> None:
        """Measure what changes slowly in some of the blocks: the phases' gains, and the noise."""
        blocks = samples_v.reshape(-1, self.block * self._channels)
        some = blocks[:: max(1, min(_SAMPLE_EVERY, len(blocks) // _SAMPLE_BLOCKS))]
        if len(self._signals) == 2:
            plus, minus = (some @ fit for fit in self._fits)
            self._measure_trim(plus[:, 2], minus[:, 2], len(blocks))
            self._compare_phases(*(each[:, :2].copy().view(np.complex64) for each in (plus, minus)))
        self._measure_noise(some[::2])

    def _compare_phases(self, plus: NDArray[np.complex64], minus: NDArray[np.complex64]) -> None:
        """Add up what the phases' carriers have in common, the newest the most."""
        fine = np.isfinite(plus) & np.isfinite(minus)
        plus, minus = plus[fine], minus[fine]
        keep = 1.0 - min(1.0, len(plus) / _KEPT_COMPARED)
        self._in_common = keep * self._in_common + complex(np.vdot(plus, minus))
        each = np.array([np.vdot(phase, phase).real for phase in (plus, minus)])
        self._in_each = keep * self._in_each + each
        self._compared += len(plus)

    def _measure_trim(
        self, plus_v: NDArray[np.float32], minus_v: NDArray[np.float32], blocks: int
    ) -> None:
        """Compare the phases' gains by what is common to both and slow: hum, if there is any.

        What is given is slow in some of so many `blocks`.
        """
        plus, minus = plus_v.astype(np.float64), minus_v.astype(np.float64)
        fine = np.isfinite(plus) & np.isfinite(minus)
        if np.count_nonzero(fine) < _MIN_SLOW:
            return
        if not fine.all():
            plus, minus = plus[fine], minus[fine]
        plus -= plus.mean()
        minus -= minus.mean()
        plus2, minus2 = float(plus @ plus), float(minus @ minus)
        if plus2 <= 0.0 or minus2 <= 0.0:
            return
        if float(plus @ minus) < _MIN_CORRELATION * np.sqrt(plus2 * minus2):
            return
        gain = np.sqrt(minus2 / plus2)
        target = 2.0 * gain / (1.0 + gain)
        # Slow enough not to move with one chunk's noise, quick enough to settle within a second.
        self._trim += min(1.0, blocks / 4000.0) * (target - self._trim)

    def _measure_noise(self, blocks_v: NDArray[np.float32]) -> None:
        frames = blocks_v.reshape(len(blocks_v), self.block, self._channels)
        if len(self._signals) == 2:
            weight = np.float32(self._trim)
            plus, minus = self._signals
            signal = weight * frames[:, :, plus] - (2 - weight) * frames[:, :, minus]
        else:
            signal = frames[:, :, self._signals[0]].copy()
        signal -= signal.mean(axis=1, keepdims=True)
        known = signal @ self.known
        energy: NDArray[np.float32] = np.einsum("ij,ij->i", signal, signal)
        rest = energy - np.einsum("ij,ij->i", known, known)
        freedom = self.block - self.known.shape[1]
        energy, rest = energy[np.isfinite(rest)], rest[np.isfinite(rest)]
        if not rest.size:
            return
        # The median forgives drop-outs' edges; it lies below the mean as that of chi-square does.
        median = median_of(rest) / (freedom * (1.0 - 2.0 / (9.0 * freedom)) ** 3)
        noise_v2 = max(median, 0.0)
        drowns = noise_v2 > _DROWNS * float(energy.mean()) / self.block
        if drowns and self._noises and noise_v2 > _OTHER * max(self._noises)[0]:
            self._noises.clear()
        # Noise in which there was no carrier, and that has gone, tells nothing of what is here.
        kept = [each for each in self._noises if not (each[1] and each[0] > _OTHER * noise_v2)]
        self._noises = [*kept[1 - _LOOKS :], (noise_v2, drowns)]
        self.noise_v2 = float(np.mean([each for each, _ in self._noises]))

    def _finished(self, *, whole: bool) -> list[Bins]:
        """Return bins whose neighbours on both sides are there, or all of them."""
        size = self._blocks_a_bin
        available = len(self._phasors) // size
        margin = self._longest_track
        ready = available if whole else available - margin
        if ready <= self._emitted:
            return []
        phasors = self._phasors[: available * size].reshape(available, size)
        start = max(0, self._emitted - margin)
        bins = self._binned(phasors[start:available], self._emitted - start, ready - start)
        first = self._first_bin + self._emitted
        keep = max(0, ready - margin - 1)
        self._phasors = self._phasors[keep * size :].copy()
        self._first_bin += keep
        self._emitted = ready - keep
        return [Bins(first, *bins)]

    def _binned(
        self, phasors: NDArray[np.complex64], start: int, end: int
    ) -> tuple[
        NDArray[np.float64],
        NDArray[np.float64],
        NDArray[np.float64],
        NDArray[np.bool_],
        NDArray[np.complex128],
    ]:
        size = self._blocks_a_bin
        fine: NDArray[np.bool_] = np.isfinite(phasors)
        ok: NDArray[np.bool_] = np.all(fine, axis=1)
        if not ok.all():
            phasors = np.where(fine, phasors, np.complex64(0.0))
        flat = phasors.ravel()
        steps = np.zeros_like(flat)
        np.multiply(flat[1:], np.conj(flat[:-1]), out=steps[1:])
        a_bin = (steps.reshape(-1, size) @ np.ones(size, dtype=np.complex64)).astype(np.complex128)
        seen, turn = self._turns_by_block(a_bin)
        level = _turned_back(phasors[start:end], turn[start:end]) / size
        away = (turn[start:end] - self._turn_a_block + np.pi) % (2.0 * np.pi) - np.pi
        response = np.interp(away, _AWAY, self._response)
        sigma2 = 2.0 * self.noise_v2 / self.frames_a_bin / response**2
        power = (level.real**2 + level.imag**2) / response**2 - 2.0 * sigma2
        off = (seen[start:end] - self._turn_a_block + np.pi) % (2.0 * np.pi) - np.pi
        carrier = self.carrier_hz + off / (2.0 * np.pi) * self.sample_rate_hz / self.block
        middle = np.exp(0.5j * (size - 1) * turn[start:end]) / response
        return power, np.sqrt(sigma2), carrier, ok[start:end], level * middle

    def _turns_by_block(
        self, a_bin: NDArray[np.complex128]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return by how much the carrier turns from block to block, of sums of steps by bin.

        As it is seen there, and as its blocks are best turned back.
        """
        smooth, power = _smoothed(a_bin, self._track)
        turn = np.angle(smooth)
        if self._longest_track == self._track:
            return turn, turn
        size = self._blocks_a_bin
        # Of white noise of power n in a block a step has the variance n²/2 in each quadrature;
        # what noise and carrier have in common cancels from one step to the next.
        noise_v2 = 4.0 * self.noise_v2 / self.block
        u = np.sqrt(0.5 * size * power) * noise_v2
        longer, _ = _smoothed(a_bin, self._longest_track)
        return turn, np.where(size * u > _TURN_U * np.abs(smooth), np.angle(longer), turn)


def _smoothed(a_bin: NDArray[np.complex128], half: int) -> tuple[NDArray[np.complex128], float]:
    """Return sums weighted over `half` bins on either side, and the weights' sum of squares."""
    window = _hann(half)
    return np.convolve(a_bin, window, mode="full")[half:][: len(a_bin)], float(window @ window)


@lru_cache(maxsize=4)
def _hann(half: int) -> NDArray[np.float64]:
    """Return Hann's window over `half` bins on either side, without the zeros at its ends."""
    return np.hanning(2 * half + 3)[1:-1]


def _turned_back(
    phasors: NDArray[np.complex64], turn: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Return each row's sum, its columns turned back by so much from one to the next.

    It is a polynomial of what one step turns by, whose value has the same size wherever the turning
    is counted from.
    """
    back = np.exp(-1j * turn)
    *columns, last = phasors.T
    total = last.astype(np.complex128)
    for column in reversed(columns):
        total *= back
        total += column
    return total
