"""Sample the virtual drive: one column a role, at a stated rate, as a stream or into an array."""

from __future__ import annotations

from math import ceil, isfinite, tau

import numpy as np
from numpy.typing import NDArray

from instruments.source import Role, check_roles
from instruments.virtual.drive import Signal, Truth, VirtualDrive
from instruments.virtual.electronics import SETTLING, Coupling, detect
from instruments.virtual.params import VirtualParams

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

BAND = 0.45
"""Fraction of the rate up to which frequencies arrive undiminished (within 0.3 %)."""
_CHUNK_FRAMES = 32768
"""Frames made at a time: the working arrays stay in the processor's cache."""
_CELL_S = 40e-6
_CELL_MOST = 64
"""Slow quantities are computed at the corners of cells no longer than this, straight between."""
_FILTER_CORNER, _FILTER_POWER, _FILTER_NOTHING = 0.48, 80, 2.0
_SETTLE_STEP_S = 1e-4


class Digitiser:
    """An input that samples a virtual drive.

    What does not depend on chance depends on the frame's number alone, so blocks of any sizes
    join without a seam; noise is drawn in the order of asking.

    Parameters
    ----------
    drive : VirtualDrive
        What is sampled; a change of its state shows from the next frame taken.
    roles : tuple of Role
        One a column.
    rate_hz : float
        Frames a second. A filter takes away what lies above half of it.
    low_corner_hz, threshold_v : float
        Of an ``envelope`` column: corner of its input (0: none), threshold of its detector.
    bits : int
        Resolution, 0 for none.
    full_scale_v : float
        Peak at which the input clips, may be infinite.
    """

    def __init__(
        self,
        drive: VirtualDrive,
        roles: tuple[Role, ...],
        rate_hz: float,
        *,
        low_corner_hz: float = 0.0,
        threshold_v: float = 0.0,
        bits: int = 0,
        full_scale_v: float = float("inf"),
    ) -> None:
        self._drive = drive
        self._roles = roles
        self._rate_hz = rate_hz
        self._threshold_v = threshold_v
        self._low_corner_hz = low_corner_hz
        self._coupling = Coupling(low_corner_hz, 1.0 / rate_hz) if low_corner_hz else None
        self._full_scale_v = full_scale_v
        self._codes = 2 ** (bits - 1) if bits else 0
        self._next = -1
        self._cell = 1
        while self._cell * 2 <= min(rate_hz * _CELL_S, _CELL_MOST):
            self._cell *= 2
        self._gain, self._third = self._filtered()
        self._signals = [column for column, role in enumerate(roles) if role is not Role.INDEX]

    def take(self, first: int, frames: int) -> tuple[Singles, bool]:
        """Return frames `first` to `first` + `frames`, and whether the input clipped.

        Returns
        -------
        samples_v : numpy.ndarray
            float32, shape (frames, roles), C-contiguous, in volts; the caller's own.
        clipped : bool
            A signal column reached full scale; an index may.
        """
        samples_v = np.empty((frames, len(self._roles)), dtype=np.float32)
        clipped = False
        for begin in range(0, frames, _CHUNK_FRAMES):
            part_v = samples_v[begin : begin + _CHUNK_FRAMES]
            self._fill(part_v, first + begin)
            clipped |= self._convert(part_v)
        return samples_v, clipped

    def _fill(self, out_v: Singles, first: int) -> None:
        if Role.ENVELOPE in self._roles:
            out_v[:, self._roles.index(Role.ENVELOPE)] = self._envelope(first, out_v.shape[0])
        else:
            self._fill_phases(out_v, first)
        if Role.INDEX in self._roles:
            column = out_v[:, self._roles.index(Role.INDEX)]
            if self._drive.disk_turns:
                self._drive.index.fill(column, self._drive.spindle, first, self._rate_hz)
            else:
                column[:] = self._drive.index.rest_v

    def _fill_phases(self, out_v: Singles, first: int) -> None:
        frames = out_v.shape[0]
        amplifier = self._drive.amplifier
        cell = self._cell
        corners_s = self._corners_s(first, frames)
        skip = first % cell
        wave_v = self._wave(corners_s, first // cell).ravel()[skip : skip + frames]
        hum_v = _straight(amplifier.hum_at_v(corners_s), cell).ravel()[skip : skip + frames]
        outputs = {
            Role.PLUS: amplifier.plus,
            Role.MINUS: amplifier.minus,
            Role.DIFFERENTIAL: amplifier.differential,
        }
        for column in self._signals:
            output = outputs[self._roles[column]]
            volts = wave_v * np.float32(output.signal)
            volts += hum_v * np.float32(output.hum)
            volts += np.float32(output.dc_v)
            self._add_noise(volts, output.noise_v, output.stream)
            out_v[:, column] = volts

    def _wave(self, corners_s: Floats, first_cell: int) -> Singles:
        """Return the differential's signal in all cells between `corners_s`."""
        cell, signal = self._cell, self._drive.signal(corners_s)
        phase = _phase(signal, cell)
        if signal.skew_rad:
            phase += np.float32(signal.skew_rad) * np.sin(phase)
        sine = np.sin(phase)
        third = np.float32(self._third)
        # sin 3p = sin p·(3 − 4 sin² p), and likewise for the cosine.
        wave = self._along(signal, first_cell, self._gain)
        wave *= sine * (1 + 3 * third - 4 * third * sine * sine) if third else sine
        if signal.across_v is not None:
            cosine = np.cos(phase)
            shape = cosine * (1 - 3 * third + 4 * third * cosine * cosine)
            wave += _straight(signal.across_v * self._gain, cell) * shape
        return wave

    def _along(self, signal: Signal, first_cell: int, gain: float = 1.0) -> Singles:
        """Return the amplitude in phase in all cells, frame by frame in those with an edge."""
        along_v = _straight(signal.along_v * gain, self._cell)
        if self._drive.track.has_edges:
            edges = np.flatnonzero(np.diff(signal.along_v))
            frames = (first_cell + edges)[:, None] * self._cell + np.arange(self._cell)
            if frames.size:
                exact = self._drive.signal(frames.ravel() / self._rate_hz)
                along_v[edges] = exact.along_v.reshape(frames.shape) * gain
        return along_v

    def _corners_s(self, first: int, frames: int) -> Floats:
        begin = first // self._cell
        end = -(-(first + frames) // self._cell)
        return np.arange(begin, end + 1) * self._cell / self._rate_hz

    def _envelope(self, first: int, frames: int) -> Singles:
        volts = self._detected(first, frames)
        if self._coupling is not None:
            if first != self._next:
                self._settle(self._coupling, first)
            volts = self._coupling.passed(volts.astype(np.float64)).astype(np.float32)
            self._next = first + frames
        self._add_noise(volts, self._drive.amplifier.noise_v, 0)
        return volts

    def _detected(self, first: int, frames: int) -> Singles:
        cell = self._cell
        signal = self._drive.signal(self._corners_s(first, frames))
        volts = self._along(signal, first // cell)
        if signal.across_v is not None:
            volts = np.hypot(volts, _straight(signal.across_v, cell))
        skip = first % cell
        return detect(volts.ravel()[skip : skip + frames], self._threshold_v)

    def _settle(self, coupling: Coupling, first: int) -> None:
        """Bring the coupling to where long running before frame `first` would have."""
        span_s = SETTLING / (tau * self._low_corner_hz)
        steps = np.arange(ceil(span_s / _SETTLE_STEP_S), -1, -1, dtype=np.float64)
        times_s = (first - 1) / self._rate_hz - steps * _SETTLE_STEP_S
        before_v = detect(self._drive.signal(times_s).envelope_v, self._threshold_v)
        coupling.run_in(before_v, _SETTLE_STEP_S)

    def _add_noise(self, volts: Singles, noise_v: float, stream: int) -> None:
        if noise_v:
            noise = self._drive.noise[stream].standard_normal(volts.size, dtype=np.float32)
            noise *= np.float32(noise_v)
            volts += noise

    def _convert(self, samples_v: Singles) -> bool:
        if not isfinite(self._full_scale_v):
            return False
        high_v = low_v = self._full_scale_v
        if self._codes:
            step_v = np.float32(self._full_scale_v / self._codes)
            np.rint(samples_v / step_v, out=samples_v)
            samples_v *= step_v
            high_v = self._full_scale_v - float(step_v)
        signals = samples_v[:, self._signals]
        clipped = bool(np.any(signals >= high_v) or np.any(signals <= -low_v))
        np.clip(samples_v, -low_v, high_v, out=samples_v)
        return clipped

    def _filtered(self) -> tuple[float, float]:
        """Return the filter's gain at the carrier, and the third harmonic that it leaves."""
        disk, spindle = self._drive.disk, self._drive.spindle
        corners = disk.cycles_per_turn * spindle.speed_hz / (_FILTER_CORNER * self._rate_hz)
        at_one, at_three = (_filter_gain(n * corners) for n in (1.0, 3.0))
        third = self._drive.amplifier.third_harmonic
        return at_one, third * at_three / at_one if at_one else 0.0


def _phase(signal: Signal, cell: int) -> Singles:
    # Reduced to one cycle in double precision at each corner: single precision does inside.
    cycles = signal.carrier_turns
    base = (tau * np.remainder(cycles[:-1], 1.0)).astype(np.float32)
    slope = (tau * np.diff(cycles)).astype(np.float32)
    phase: Singles = np.multiply.outer(slope, _ramp(cell))
    phase += base[:, None]
    return phase


def _straight(at_corners: Floats, cell: int) -> Singles:
    rise = np.diff(at_corners).astype(np.float32)
    inside: Singles = np.multiply.outer(rise, _ramp(cell))
    inside += at_corners[:-1].astype(np.float32)[:, None]
    return inside


def _ramp(cell: int) -> Singles:
    return np.arange(cell, dtype=np.float32) / np.float32(cell)


def _filter_gain(corners: float) -> float:
    """Return a low-pass's gain at a frequency given in units of its corner."""
    return (1.0 + corners**_FILTER_POWER) ** -0.5 if corners < _FILTER_NOTHING else 0.0


DEFAULT_ROLES = (Role.PLUS, Role.MINUS, Role.INDEX)


def simulate(
    params: VirtualParams,
    roles: tuple[Role, ...] = DEFAULT_ROLES,
    *,
    rate_hz: float | None = None,
    seconds: float = 3.0,
) -> tuple[NDArray[np.float32], Truth]:
    """Return a capture of the virtual drive, the same for the same arguments.

    Parameters
    ----------
    params : VirtualParams
        What the drive is like.
    roles : tuple of Role
        One a column.
    rate_hz : float, optional
        Frames a second; that of `params` when not given.
    seconds : float
        Length.

    Returns
    -------
    samples_v : numpy.ndarray
        float32, shape (frames, roles), C-contiguous, in volts.
    truth : Truth
        What is true over the whole capture.

    Raises
    ------
    AddressError
        When the roles do not fit together.
    """
    check_roles(roles, ",".join(roles))
    rate_hz = params.rate if rate_hz is None else rate_hz
    drive = VirtualDrive(params)
    samples_v, _ = digitiser_for(params, drive, roles, rate_hz).take(0, round(rate_hz * seconds))
    return samples_v, drive.truth(0.0, seconds)


def digitiser_for(
    params: VirtualParams, drive: VirtualDrive, roles: tuple[Role, ...], rate_hz: float
) -> Digitiser:
    """Return the input that `params` describe, on `drive`."""
    return Digitiser(
        drive,
        roles,
        rate_hz,
        low_corner_hz=params.low_corner_hz,
        threshold_v=params.detector_threshold_v,
        bits=params.bits,
        full_scale_v=params.full_scale_v,
    )
