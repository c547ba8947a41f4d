"""A measurement of the lobes, as the checks use it."""

from __future__ import annotations

from dataclasses import dataclass

from app.analysis import messages
from app.analysis.findings import Measurement
from app.analysis.reading import Quantity, Reading, Sign
from app.profiles import Profile

_LEAST_U_UM = 1e-3
"""No measurement is better than this; weights by 1/u² need one above 0."""


@dataclass(frozen=True, slots=True)
class Lobes:
    """Two lobes that were measured.

    Attributes
    ----------
    reading : Reading
        Valid, with offset and balance.
    offset_um : Quantity
        The offset, its u without that of the disk's scale, which all readings share.
    sum_v : float
        First plus second lobe.
    place_turns : float or None
        Place of the first lobe's top after the index.
    """

    reading: Reading
    offset_um: Quantity
    sum_v: float
    place_turns: float | None

    @property
    def signed(self) -> bool:
        """Whether the side is known."""
        return self.reading.sign is not Sign.UNKNOWN


def is_far_off(reading: Reading | None) -> bool:
    """Tell whether one lobe alone is left: the head is far from the line, on whichever side."""
    return reading is not None and (
        reading.side is not None or messages.ONE_LOBE in reading.reasons
    )


def lobes_of(profile: Profile, measurement: Measurement) -> Lobes | None:
    """Return the lobes of a measurement, None where it has none."""
    reading, trace = measurement.reading, measurement.trace
    if measurement.problem is not None or reading is None or not reading.valid:
        return None
    if reading.offset_um is None or reading.balance is None:
        return None
    first, second = reading.first_v, reading.second_v
    tops = () if trace is None else trace.tops_turns
    return Lobes(
        reading,
        Quantity(reading.offset_um.value, max(profile.scale_um * reading.balance.u, _LEAST_U_UM)),
        0.0 if first is None or second is None else first.value + second.value,
        tops[0] if tops else None,
    )
