"""The read amplifier: what it adds to the head's signal on its way to the two test points."""

from __future__ import annotations

from dataclasses import dataclass
from math import tau

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Output:
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
    def plus(self) -> Output:
        """The one phase."""
        gain = 1.0 + self.mismatch / 2.0
        return Output(0.5 * gain, gain, self.dc_v, self.noise_v * 0.5**0.5, 0)

    @property
    def minus(self) -> Output:
        """The other phase."""
        gain = 1.0 - self.mismatch / 2.0
        return Output(-0.5 * gain, gain, 0.0, self.noise_v * 0.5**0.5, 1)

    @property
    def differential(self) -> Output:
        """Plus less minus, as one differential probe has it."""
        return Output(1.0, self.mismatch, self.dc_v, self.noise_v, 0)

    def hum_at_v(self, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the hum at `times_s`."""
        return self.hum_v * np.sin(tau * self.hum_hz * times_s + self.hum_phase_rad)


def noise_for_snr_v(amplitude_v: float, snr_db: float) -> float:
    """Return the noise's root mean square beside which a sine of that peak has that SNR."""
    return amplitude_v * 0.5**0.5 * 10.0 ** (-snr_db / 20.0)
