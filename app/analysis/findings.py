"""What the measurements beside the live needle find: plain, frozen, each with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from app.analysis.reading import Message, Quantity, Reading, Trace


class Want(StrEnum):
    """What a measurement is to find."""

    RADIAL = "radial"
    """The two lobes, over several turns."""
    SPEED = "speed"
    """The spindle, over many turns."""
    AZIMUTH = "azimuth"
    """The heights of the disk's azimuth bursts."""
    INDEX = "index"
    """From the index's edge to the start of the burst."""
    OUTPUT = "output"
    """A track of one frequency."""


@dataclass(frozen=True, slots=True)
class SpeedFinding:
    """The spindle's speed over a stretch.

    Attributes
    ----------
    mean_rpm : Quantity
        Mean speed.
    variation_percent : Quantity or None
        Short-term variation: standard deviation of single turns about their slow course, in per
        cent of the mean; None with fewer than four turns.
    drift_percent_per_min : Quantity or None
        Slope of the speed; None with fewer than four turns.
    turn_rpm : numpy.ndarray
        float64, shape (n,): speed of each turn.
    by_index : bool
        From edges of the index, otherwise from the pattern.
    """

    mean_rpm: Quantity
    variation_percent: Quantity | None
    drift_percent_per_min: Quantity | None
    turn_rpm: NDArray[np.float64]
    by_index: bool


@dataclass(frozen=True, slots=True)
class Burst:
    """One burst of carrier within the turn.

    Attributes
    ----------
    start_us : Quantity
        From the index's leading edge to where the burst's envelope is at half its height.
    length_us : float
        Between the two points of half height.
    height_v : Quantity
        Peak amplitude of the differential over its flat part, unbiased by noise.
    """

    start_us: Quantity
    length_us: float
    height_v: Quantity


@dataclass(frozen=True, slots=True)
class AzimuthFinding:
    """The head's azimuth by bursts at known angles.

    ``misfit_percent`` is the root mean square by which the heights miss the loss curve.
    """

    angle_arcmin: Quantity
    bursts: tuple[Burst, ...]
    misfit_percent: float


@dataclass(frozen=True, slots=True)
class IndexFinding:
    """Index timing: the mean over turns, the scatter of single turns (sd), and the turns."""

    delay_us: Quantity
    scatter_us: float
    turns: int


@dataclass(frozen=True, slots=True)
class OutputFinding:
    """A track of one frequency.

    Attributes
    ----------
    amplitude_v : Quantity
        Mean peak amplitude of the differential.
    frequency_hz : Quantity or None
        Of the signal; two flux transitions make a cycle. None of an envelope.
    modulation_percent : Quantity
        (max − min)/(max + min) of the envelope over the turn.
    asymmetry_ns : Quantity or None
        Half the difference of alternate spacings of the peaks: positive where the positive tops
        come early. None where the source does not show it.
    """

    amplitude_v: Quantity
    frequency_hz: Quantity | None
    modulation_percent: Quantity
    asymmetry_ns: Quantity | None


@dataclass(frozen=True, slots=True)
class Measurement:
    """One measurement: what was wanted, and what was found.

    Attributes
    ----------
    want : Want
        Which of the findings is filled in.
    problem : Message or None
        Why there is none; the finding is None then (a reading may still tell its reasons), or
        of an output lacks what the message names.
    reading, speed, azimuth, index, output :
        The finding.
    trace : Trace or None
        A turn of envelope, of the mean of all where they are alike.
    seconds : float
        How much was looked at.
    """

    want: Want
    problem: Message | None = None
    reading: Reading | None = None
    speed: SpeedFinding | None = None
    azimuth: AzimuthFinding | None = None
    index: IndexFinding | None = None
    output: OutputFinding | None = None
    trace: Trace | None = None
    seconds: float = 0.0
