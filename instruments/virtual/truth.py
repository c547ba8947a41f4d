"""What is true of the virtual drive; for tests and for files that the drive was played to."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Truth:
    """The state behind a stretch of samples. It never reaches the analysis.

    Attributes
    ----------
    geometry, pairs : str, int
        The recording, and its pairs of lobes a turn.
    first_v, second_v : float
        Maxima of the noise-free envelope of the differential over the turn, at the first lobe
        after the index and at the second; of alternating groups the means of the flat tops.
        Drop-outs are left out.
    ratio, balance, difference : float or None
        smaller/larger; (first − second)/(first + second); 1 − ratio. None off the track.
    offset_um : float
        Offset of the head from the track line, positive outward.
    middle_um, hysteresis_um : float
        Middle of the two positions of rest, and their distance.
    scale_um : float
        Offset for unit balance of the recording.
    speed_rpm, carrier_hz : float
        Means over the stretch.
    azimuth_arcmin : float
        The head's azimuth error.
    index_delay_us : float
        From the index to the burst, at that speed.
    shift_um, oval_um : float
        Eccentricity and ovality of the seating.
    snr_db : float or None
        Sine power at the top of the taller lobe over noise power in the full sampled band; None
        without noise.
    virtual : bool
        True: said wherever the drive's samples are kept.
    """

    geometry: str
    pairs: int
    first_v: float
    second_v: float
    ratio: float | None
    balance: float | None
    difference: float | None
    offset_um: float
    middle_um: float
    hysteresis_um: float
    scale_um: float
    speed_rpm: float
    carrier_hz: float
    azimuth_arcmin: float
    index_delay_us: float
    shift_um: float
    oval_um: float
    snr_db: float | None
    virtual: bool = True
