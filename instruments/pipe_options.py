"""What must be said of raw frames: one table, from which errors are made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from instruments.addressoptions import positive_option, refuse_others
from instruments.source import AddressError

DTYPES: Mapping[str, tuple[str, float]] = {"int16": ("<i2", 1 / 32768), "float32": ("<f4", 1.0)}
"""How a sample is written: numpy's name for it, little-endian, and its part of the full scale."""
LIMITS: Mapping[str, tuple[float, float]] = {
    "rate": (1e3, 1e9),
    "channels": (1, 8),
    "full_scale_v": (1e-6, 1e6),
}
"""Options that are numbers: lowest and highest."""


@dataclass(frozen=True, slots=True)
class PipeOptions:
    """What comes down the pipe.

    Attributes
    ----------
    rate_hz : float
        Frames a second.
    dtype : str
        One of ``DTYPES``.
    channels : int
        Samples of a frame.
    full_scale_v : float or None
        Volts of a sample of 1.0, or of the largest integer.
    """

    rate_hz: float
    dtype: str
    channels: int
    full_scale_v: float | None = None

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame."""
        return self.channels * np.dtype(DTYPES[self.dtype][0]).itemsize

    @property
    def relative(self) -> bool:
        """Whether nobody knows how many volts a sample is."""
        return self.dtype == "int16" and self.full_scale_v is None


def read_options(text: str, options: Mapping[str, str]) -> PipeOptions:
    """Check an address's options and read them.

    Raises
    ------
    AddressError
        When one is missing, is no option, or has a value that it cannot have.
    """
    refuse_others(text, options, ("dtype", *LIMITS))
    for key in ("rate", "dtype", "channels"):
        if key not in options:
            raise AddressError(
                f"address “{text}”: “{key}” is missing, and raw frames do not tell it; write for "
                "example pipe:?rate=1000000&dtype=float32&channels=2"
            )
    if options["dtype"] not in DTYPES:
        raise AddressError(
            f"address “{text}”: “dtype” is “{options['dtype']}”; it must be {' or '.join(DTYPES)}"
        )
    channels = _number(text, options, "channels")
    if channels != int(channels):
        raise AddressError(
            f"address “{text}”: “channels” is “{options['channels']}”; it must be a whole number"
        )
    return PipeOptions(
        rate_hz=_number(text, options, "rate"),
        dtype=options["dtype"],
        channels=int(channels),
        full_scale_v=_number(text, options, "full_scale_v") if "full_scale_v" in options else None,
    )


def _number(text: str, options: Mapping[str, str], key: str) -> float:
    low, high = LIMITS[key]
    value = positive_option(text, options, key) or 0.0
    if not low <= value <= high:
        raise AddressError(
            f"address “{text}”: “{key}” is “{options[key]}”; "
            f"it must lie between {low:g} and {high:g}"
        )
    return value
