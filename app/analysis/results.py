"""What the analysis returns: frozen values, each quantity with its standard uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

LATER = {"later": True}
"""Marks a field that books of earlier versions do not have; it is its default there."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value and its standard uncertainty, in the unit of the field's name.

    ``dof`` are the degrees of freedom of u; None where u is as good as known, or t-expanded.
    """

    value: float
    u: float
    dof: float | None = field(default=None, metadata=LATER)


@dataclass(frozen=True, slots=True)
class Message:
    """A sentence for the user: a fixed text, and the values that stand in its braces.

    The text is the key of its translation, hence fixed; ``str(message)`` fills it in.
    """

    text: str
    values: tuple[str, ...] = ()

    def __str__(self) -> str:
        """Return the sentence in English."""
        return self.text.format(*self.values)


class Geometry(StrEnum):
    """How the alignment track is recorded."""

    TWO_BAND = "two-band"
    BOUNDARY = "boundary"
    ALTERNATING = "alternating"
    WINDOWS = "windows"


class Sign(StrEnum):
    """What is known of which lobe is which."""

    KNOWN = "known"
    """From the index, or from windows that no turning of the disk makes those of the other side."""
    TAUGHT = "taught"
    """Shown by the person at the drive."""
    UNKNOWN = "unknown"
    """Neither: balance and offset are magnitudes."""


class Verdict(StrEnum):
    """How a value was judged; the first three by a limit with a guard band (JCGM 106)."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"
    NOTED = "noted"
    """There is no limit to judge by."""
    SKIPPED = "skipped"
    """A job's check that was left out."""


class Side(StrEnum):
    """Where the head stands with respect to the track line."""

    OUTWARD = "outward"
    INWARD = "inward"


@dataclass(frozen=True, slots=True)
class Reading:
    """Speed, carrier, and what the two lobes say of the head.

    A quantity that the signal does not support is None, whatever the others are.

    Attributes
    ----------
    valid : bool
        Whether balance and ratio may be shown.
    reasons, notes : tuple of Message
        Why not, empty when valid; and what the user should know beside the numbers.
    first_index, end_index : int
        Absolute indices of the first frame used and of the first frame not yet used.
    revolutions : int
        Whole turns used.
    from_one_lobe : bool
        True when the newest lobe alone moved the balance, on the strength of a steady sum.
    carrier_hz : Quantity or None
        Carrier of the pattern, None for an envelope.
    snr_db : float or None
        Sine power at the top of the taller lobe over noise power in the full sampled band.
    first_v, second_v : Quantity or None
        Peak amplitude of the differential at the top of each lobe, in volts. Without a sign
        the first is the taller.
    balance, ratio, difference : Quantity or None
        b = (A − B)/(A + B), positive with the head outward; r = smaller/larger; 1 − r.
    offset_um : Quantity or None
        Radial offset, positive outward, in micrometres.
    calibrated : bool
        Whether the offset's scale comes from a certificate or a calibration on the bench.
    side : Side or None
        The side on which the head stands, when it is known; of a reading that is not valid only
        where one lobe alone is left.
    set_limit, check_limit : Verdict or None
        The difference against the two limits.
    """

    valid: bool
    reasons: tuple[Message, ...] = ()
    notes: tuple[Message, ...] = ()
    first_index: int = 0
    end_index: int = 0
    revolutions: int = 0
    from_one_lobe: bool = False
    geometry: Geometry | None = None
    speed_rpm: Quantity | None = None
    carrier_hz: Quantity | None = None
    snr_db: float | None = None
    first_v: Quantity | None = None
    second_v: Quantity | None = None
    balance: Quantity | None = None
    ratio: Quantity | None = None
    difference: Quantity | None = None
    offset_um: Quantity | None = None
    sign: Sign = Sign.UNKNOWN
    calibrated: bool = False
    side: Side | None = None
    set_limit: Verdict | None = None
    check_limit: Verdict | None = None


@dataclass(frozen=True, slots=True)
class Trace:
    """One turn of envelope, to be drawn.

    Attributes
    ----------
    turns : numpy.ndarray
        float32, shape (n,): place in the turn, 0 to 1 from the index (or from the middle
        between two lobes where there is none).
    envelope_v : numpy.ndarray
        float32, shape (n,): peak amplitude of the differential, in volts.
    tops_turns, tops_v : tuple of float
        Place and height of each lobe's top, first lobe first.
    number : int
        Counts the turns since the source was opened.
    frames : tuple of float or None
        Where it begins and ends, in frames since the source was opened; None where it is of more
        than one turn.
    """

    turns: NDArray[np.float32]
    envelope_v: NDArray[np.float32]
    tops_turns: tuple[float, ...]
    tops_v: tuple[float, ...]
    number: int
    frames: tuple[float, float] | None = None


class Measurand(StrEnum):
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
    LEVEL = "level"
    """How strong a track is, whatever is written on it."""


@dataclass(frozen=True, slots=True)
class SpeedFinding:
    """The spindle's speed over a stretch.

    Attributes
    ----------
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

    ``misfit_percent`` is the root mean square by which the heights miss the loss curve, and
    ``width_u_arcmin`` what not knowing the head's width has of the angle's u.
    """

    angle_arcmin: Quantity
    bursts: tuple[Burst, ...]
    misfit_percent: float
    width_u_arcmin: float = 0.0


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
    once_percent : float
        How far it goes up and down once a turn alone, in per cent of its mean.
    asymmetry_ns : Quantity or None
        Half the difference of alternate spacings of the peaks: positive where the positive tops
        come early. None where the source does not show it.
    """

    amplitude_v: Quantity
    frequency_hz: Quantity | None
    modulation_percent: Quantity
    asymmetry_ns: Quantity | None
    once_percent: float = 0.0


@dataclass(frozen=True, slots=True)
class Measurement:
    """One measurement: of what, and the finding for that.

    Attributes
    ----------
    problem : Message or None
        Why there is no finding (a reading may be there with its reasons), or what an output lacks.
    trace : Trace or None
        A turn of envelope, of the mean of all where they are alike.
    level_v : Quantity or None
        Peak of a sine as strong as the track.
    seconds : float
        How long the signal measured was.
    at_s : float or None
        Its middle, on the source's monotonic clock; None where that is not told.
    """

    measurand: Measurand
    problem: Message | None = None
    reading: Reading | None = None
    speed: SpeedFinding | None = None
    azimuth: AzimuthFinding | None = None
    index: IndexFinding | None = None
    output: OutputFinding | None = None
    trace: Trace | None = None
    seconds: float = 0.0
    level_v: Quantity | None = None
    at_s: float | None = None
