"""What the analyser is told before the first sample."""

from __future__ import annotations

from dataclasses import dataclass

from app.analysis.envelope.carrier import Columns


@dataclass(frozen=True, slots=True)
class Setup:
    """Source and disk, as plain values.

    Attributes
    ----------
    columns, channels : Columns, int
        Where signal and index stand, and columns in all.
    sample_rate_hz, bandwidth_hz : float
        Frames a second; highest frequency that arrives undiminished.
    low_corner_hz : float or None
        Corner of an AC-coupled input, 0 for DC, None when not known.
    detector_threshold_v : float or None
        What an external detector keeps for itself, None when not stated.
    speed_rpm, carrier_hz : float
        Nominal speed and carrier.
    geometry, pairs : str or None, int or None
        Recording and pairs of lobes a turn, None when open.
    scale_um, scale_u_um, calibrated : float, float, bool
        Offset for unit balance, its standard uncertainty, and whether it is more than a default.
    first_lobe_outward : bool
        The first lobe after the index is the taller with the head outward.
    set_limit, check_limit : float
        Limits of the difference.
    extremes : bool
        Rows are the lowest and the highest value of a stretch in turn; ``sample_rate_hz`` counts
        rows, and the signal is the differential.
    """

    columns: Columns
    channels: int
    sample_rate_hz: float
    bandwidth_hz: float
    low_corner_hz: float | None = None
    detector_threshold_v: float | None = None
    speed_rpm: float = 300.0
    carrier_hz: float = 125e3
    geometry: str | None = None
    pairs: int | None = None
    scale_um: float = 178.0
    scale_u_um: float = 18.0
    calibrated: bool = False
    first_lobe_outward: bool = True
    set_limit: float = 0.15
    check_limit: float = 0.30
    extremes: bool = False
