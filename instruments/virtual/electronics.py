"""The read amplifier, the envelope detector, and the input's coupling capacitor."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, expm1, tau
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class AmplifierOutput:
    """What stands at one output, as parts of what goes in.

    Attributes
    ----------
    signal, hum : float
        Gains for the head's differential signal and for the hum.
    dc_v, noise_v : float
        Offset, and root mean square of the white noise in the whole sampled band.
    stream : int
        Which of the drive's streams the noise is drawn from.
    """

    signal: float
    hum: float
    dc_v: float
    noise_v: float
    stream: int


@dataclass(frozen=True, slots=True)
class Amplifier:
    """A differential read amplifier.

    The gains of the two phases differ by the mismatch, also for what is common to both::

        plus  = (1 + mismatch/2)·(+signal/2 + hum) + noise + dc
        minus = (1 − mismatch/2)·(−signal/2 + hum) + noise

    Attributes
    ----------
    amplitude_v : float
        Peak of the differential at the top of even lobes, with the disk seated truly.
    noise_v : float
        Root mean square of the differential's white noise in the whole sampled band; half its
        power comes from each phase.
    hum_v, hum_hz, hum_phase_rad : float
        Peak, frequency and phase at time 0 of the mains hum, common to both phases.
    mismatch : float
        Difference of the two gains over their mean.
    dc_v : float
        Offset of the plus phase.
    third_harmonic : float
        Third harmonic of the carrier, as a fraction of the fundamental.
    """

    amplitude_v: float
    noise_v: float
    hum_v: float
    hum_hz: float
    hum_phase_rad: float
    mismatch: float
    dc_v: float
    third_harmonic: float

    @property
    def plus(self) -> AmplifierOutput:
        """The one phase."""
        gain = 1.0 + self.mismatch / 2.0
        return AmplifierOutput(0.5 * gain, gain, self.dc_v, self.noise_v * 0.5**0.5, 0)

    @property
    def minus(self) -> AmplifierOutput:
        """The other phase."""
        gain = 1.0 - self.mismatch / 2.0
        return AmplifierOutput(-0.5 * gain, gain, 0.0, self.noise_v * 0.5**0.5, 1)

    @property
    def differential(self) -> AmplifierOutput:
        """Plus less minus, as one differential probe has it."""
        return AmplifierOutput(1.0, self.mismatch, self.dc_v, self.noise_v, 0)

    def hum_at_v(self, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the hum at `times_s`."""
        return self.hum_v * np.sin(tau * self.hum_hz * times_s + self.hum_phase_rad)


def noise_for_snr_v(amplitude_v: float, snr_db: float) -> float:
    """Return the noise's root mean square beside which a sine of that peak has that SNR."""
    return amplitude_v * 0.5**0.5 * 10.0 ** (-snr_db / 20.0)


_Real = TypeVar("_Real", np.float32, np.float64)

_LONGEST = 3.0
"""Time constants covered by one run of the recursion, which bounds its powers."""
SETTLING = 14.0
"""Time constants after which the coupling has forgotten how it began."""


def detect(amplitude_v: NDArray[_Real], threshold_v: float) -> NDArray[_Real]:
    """Return an ideal detector's output: the amplitude above its threshold, dtype kept."""
    return np.maximum(np.abs(amplitude_v) - threshold_v, 0)


class Coupling:
    """A first-order high-pass, exact for an input that is straight between its samples.

    Parameters
    ----------
    corner_hz : float
        Corner frequency, above 0.
    interval_s : float
        Time between two samples.
    """

    def __init__(self, corner_hz: float, interval_s: float) -> None:
        self._corner_hz = corner_hz
        steps = tau * corner_hz * interval_s
        self._decay = exp(-steps)
        mean = -expm1(-steps) / steps
        self._new = 1.0 - mean
        self._old = mean - self._decay
        self._run = max(int(_LONGEST / steps), 1)
        self.state_v = (0.0, 0.0)
        """What does not come through (the slow part of the input), and the last input."""

    def run_in(self, input_v: NDArray[np.float64], interval_s: float) -> None:
        """Take the input as having been `input_v`, at its own interval, up to now."""
        before = Coupling(self._corner_hz, interval_s)
        before.state_v = (float(input_v[0]), float(input_v[0]))
        before.passed(input_v)
        self.state_v = before.state_v

    def passed(self, input_v: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return what comes through of the next samples, shape as `input_v`."""
        output_v = np.empty_like(input_v)
        for begin in range(0, input_v.size, self._run):
            part_v = input_v[begin : begin + self._run]
            slow_v, last_v = self.state_v
            before_v = np.concatenate(([last_v], part_v[:-1]))
            drive_v = self._new * part_v + self._old * before_v
            # y[n] = a·y[n−1] + u[n], with the powers of a taken out of the sum.
            powers = self._decay ** np.arange(1, part_v.size + 1)
            low_v = powers * (slow_v + np.cumsum(drive_v / powers))
            output_v[begin : begin + self._run] = part_v - low_v
            self.state_v = float(low_v[-1]), float(part_v[-1])
        return output_v
