"""Results of the analysis: plain, frozen, each quantity with its standard uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value and its standard uncertainty, in the unit that the field's name tells."""

    value: float
    u: float


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


class Sign(StrEnum):
    """What is known of which lobe is which."""

    KNOWN = "known"
    """From the index."""
    TAUGHT = "taught"
    """Shown by the person at the drive."""
    UNKNOWN = "unknown"
    """Neither: balance and offset are magnitudes."""


class Verdict(StrEnum):
    """A limit judged with a guard band of the expanded uncertainty, k = 2 (JCGM 106)."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"


class Side(StrEnum):
    """Where the head stands with respect to the track line."""

    OUTWARD = "outward"
    INWARD = "inward"


@dataclass(frozen=True, slots=True)
class Reading:
    """What the signal says of the two lobes.

    A quantity that the signal does not support is None, though others may stand.

    Attributes
    ----------
    valid : bool
        Whether balance and ratio may be shown.
    reasons : tuple of Message
        Why not; empty when valid.
    notes : tuple of Message
        What the user should know beside the numbers.
    first_index, end_index : int
        Absolute indices of the first frame used and of the first frame not yet used.
    revolutions : int
        Whole turns used.
    from_one_lobe : bool
        True when the newest lobe alone moved the balance, on the strength of a steady sum.
    geometry : Geometry or None
        The recording that the pattern fits.
    speed_rpm, carrier_hz : Quantity or None
        Spindle speed; carrier of the pattern (None for an envelope).
    snr_db : float or None
        Sine power at the top of the taller lobe over noise power in the full sampled band.
    first_v, second_v : Quantity or None
        Peak amplitude of the differential at the top of each lobe, in volts. Without a sign
        the first is the taller.
    balance, ratio, difference : Quantity or None
        b = (A − B)/(A + B), positive with the head outward; r = smaller/larger; 1 − r.
    offset_um : Quantity or None
        Radial offset, positive outward, in micrometres.
    sign : Sign
        Whether the sign of balance and offset means anything.
    calibrated : bool
        Whether the offset's scale comes from a certificate or a calibration on the bench.
    side : Side or None
        The side on which the head stands, when it is known; also where only one lobe is left.
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
    """One turn of envelope, for the eye.

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
    """

    turns: NDArray[np.float32]
    envelope_v: NDArray[np.float32]
    tops_turns: tuple[float, ...]
    tops_v: tuple[float, ...]
    number: int
