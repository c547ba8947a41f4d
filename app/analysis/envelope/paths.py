"""The two ways from samples to an envelope, behind one face.

A path takes samples and adds bins to its :class:`~app.analysis.envelope.series.EnvelopeSeries`.
When it has to begin anew (a carrier found or lost) it makes a new series and counts ``starts`` up.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from app.analysis import messages
from app.analysis.envelope.carrier import (
    CARRIER_HIGH_OF_RATE,
    CARRIER_LOW_HZ,
    Demodulator,
    find_carrier,
)
from app.analysis.envelope.clipping import ClipWatch
from app.analysis.envelope.detector import DetectorFollower
from app.analysis.envelope.peakdetect import ExtremesPath
from app.analysis.envelope.series import EnvelopeSeries
from app.analysis.envelope.setup import Columns, Setup
from app.analysis.results import Message

_SEARCH_S = 0.3
"""Longer than a turn: a lobe passes within it."""
_REVIEW_S = 0.5
_NULL_QUANTILE = 0.02
_WANDERED = 0.035
"""A carrier this part away from where the demodulator was set wants a new one."""


class SignalPath(Protocol):
    """What the analyser needs of a path."""

    series: EnvelopeSeries | None
    starts: int

    @property
    def fault(self) -> Message | None:
        """Why there is no usable envelope now, None when there is."""
        ...

    @property
    def height_u_v(self) -> float:
        """Standard uncertainty, in volts, of what all heights share: where zero lies."""
        ...

    def push(self, samples_v: NDArray[np.float32], first_index: int) -> None:
        """Take the next samples."""
        ...

    def flush(self) -> None:
        """Finish what waits for more samples."""
        ...

    def clipped_between(self, start_frame: float, end_frame: float) -> bool:
        """Tell whether the signal was clipped in any stretch that touches these frames."""
        ...

    def forget_before(self, frame: float) -> None:
        """Let go of what is older."""
        ...


class RawPath:
    """Raw samples: looks for a carrier, then demodulates at it.

    Parameters
    ----------
    columns, channels : Columns, int
        Where the signal stands, and columns in all.
    sample_rate_hz, bandwidth_hz : float
        The rate, and the highest frequency that arrives undiminished.
    expected_hz : float
        The profile's carrier: explains a silence when it is beyond the source.
    """

    def __init__(
        self,
        columns: Columns,
        channels: int,
        sample_rate_hz: float,
        bandwidth_hz: float,
        expected_hz: float,
    ) -> None:
        self.series: EnvelopeSeries | None = None
        self.starts = 0
        self._columns = columns
        self._channels = channels
        self._rate_hz = sample_rate_hz
        self._highest_hz = min(bandwidth_hz, CARRIER_HIGH_OF_RATE * sample_rate_hz)
        self._expected_hz = expected_hz
        self._clips: ClipWatch | None = None
        self._demodulator: Demodulator | None = None
        self._search: list[tuple[NDArray[np.float32], int]] = []
        self._searched = 0
        self._since_review = 0
        self._fault: Message | None = messages.WAITING

    @property
    def fault(self) -> Message | None:
        """Why there is no usable envelope now, None when there is."""
        return self._fault

    @property
    def height_u_v(self) -> float:
        """Standard uncertainty of where zero lies: none, the carrier tells."""
        return 0.0

    @property
    def noise_v2(self) -> float:
        """Noise power of the differential in the full sampled band."""
        return self._demodulator.noise_v2 if self._demodulator else 0.0

    def push(self, samples_v: NDArray[np.float32], first_index: int) -> None:
        """Take the next samples."""
        if self._demodulator is None:
            self._search.append((samples_v, first_index))
            self._searched += len(samples_v)
            if self._searched >= _SEARCH_S * self._rate_hz:
                self._look_for_carrier()
            return
        self._feed(samples_v, first_index)
        self._since_review += len(samples_v)
        if self._since_review >= _REVIEW_S * self._rate_hz:
            self._since_review = 0
            self._review(samples_v)

    def flush(self) -> None:
        """Finish what waits for more samples."""
        if self._demodulator is None and self._search:
            self._look_for_carrier()
        if self._demodulator is not None and self.series is not None:
            for bins in self._demodulator.flush():
                self.series.append(bins)

    def clipped_between(self, start_frame: float, end_frame: float) -> bool:
        """Tell whether the signal was clipped in any stretch that touches these frames."""
        return self._clips is not None and self._clips.clipped_between(start_frame, end_frame)

    def forget_before(self, frame: float) -> None:
        """Let go of what is older."""
        if self._clips is not None:
            self._clips.forget_before(frame)
        if self.series is not None:
            self.series.forget_before(frame)

    def _feed(self, samples_v: NDArray[np.float32], first_index: int) -> None:
        assert self._demodulator is not None
        assert self.series is not None
        if self._clips is not None:
            self._clips.push(samples_v, first_index)
        for bins in self._demodulator.push(samples_v, first_index):
            self.series.append(bins)

    def _look_for_carrier(self) -> None:
        waiting, self._search, self._searched = self._search, [], 0
        signal = np.concatenate([self._columns.differential_of(part) for part, _ in waiting])
        found = find_carrier(signal, self._rate_hz)
        if found is None:
            beyond = self._expected_hz > self._highest_hz
            self._fault = messages.CARRIER_BEYOND if beyond else messages.NO_CARRIER
            return
        if found.frequency_hz > self._highest_hz:
            self._fault = messages.CARRIER_BEYOND
            return
        self._demodulator = Demodulator(
            self._columns, self._channels, self._rate_hz, found.frequency_hz
        )
        self.series = EnvelopeSeries(self._demodulator.frames_a_bin)
        tone = self._demodulator.tone
        self._clips = ClipWatch(self._columns.signals, self._demodulator.known, tone)
        self.starts += 1
        self._fault = None
        self._since_review = 0
        for samples_v, first_index in waiting:
            self._feed(samples_v, first_index)

    def _review(self, samples_v: NDArray[np.float32]) -> None:
        """Look whether the carrier is still where the demodulator was set, or gone."""
        assert self._demodulator is not None
        assert self.series is not None
        recent = round(_REVIEW_S * self._rate_hz / self.series.frames_a_bin)
        power = np.maximum(self.series.power_v2[-recent:], 0.0)
        sigma2 = self.series.sigma_v[-recent:] ** 2
        strong = power > 25.0 * sigma2
        if np.count_nonzero(strong) < 3:
            self._fault = messages.NO_CARRIER
            self._try_elsewhere(samples_v)
            return
        self._fault = None
        carrier = self.series.carrier_hz[-recent:]
        mean_hz = float(np.average(carrier[strong], weights=power[strong]))
        if abs(mean_hz / self._demodulator.carrier_hz - 1.0) > _WANDERED:
            self._begin_search()

    def _try_elsewhere(self, samples_v: NDArray[np.float32]) -> None:
        found = find_carrier(self._columns.differential_of(samples_v), self._rate_hz)
        assert self._demodulator is not None
        if found is None or not CARRIER_LOW_HZ <= found.frequency_hz <= self._highest_hz:
            return
        if abs(found.frequency_hz / self._demodulator.carrier_hz - 1.0) > _WANDERED:
            self._begin_search()

    def _begin_search(self) -> None:
        self._demodulator = None
        self._search.clear()
        self._searched = 0
        self._fault = messages.WAITING


class EnvelopePath:
    """An external detector's output.

    Parameters
    ----------
    column : int
        The envelope's column.
    sample_rate_hz : float
        Frames a second.
    low_corner_hz : float or None
        Corner of the input's high-pass, 0 for DC-coupled, None when not known.
    threshold_v : float
        The detector's threshold in volts.
    """

    def __init__(
        self,
        column: int,
        sample_rate_hz: float,
        low_corner_hz: float | None,
        threshold_v: float,
    ) -> None:
        self._follower = DetectorFollower(column, sample_rate_hz, low_corner_hz or 0.0, threshold_v)
        self._low_corner_hz = low_corner_hz
        self.series: EnvelopeSeries | None = EnvelopeSeries(self._follower.frames_a_bin)
        self.starts = 1

    @property
    def fault(self) -> Message | None:
        """Why there is no usable envelope now, None when there is."""
        if not self._follower.goes_below_zero or self._low_corner_hz:
            return None
        stated = self._low_corner_hz is not None
        return messages.NOT_DC_COUPLED if stated else messages.LOW_CORNER_UNKNOWN

    @property
    def height_u_v(self) -> float:
        """Standard uncertainty of where zero lies.

        An AC-coupled input finds it by the nulls. With a DC-coupled one the nulls' own level
        may be the detector's offset or the recording's.
        """
        if self._low_corner_hz or self.series is None or not self.series.ok.size:
            return self._follower.base_u_v
        return float(np.quantile(self.series.amplitude_v, _NULL_QUANTILE))

    def push(self, samples_v: NDArray[np.float32], first_index: int) -> None:
        """Take the next samples."""
        assert self.series is not None
        for bins in self._follower.push(samples_v, first_index):
            self.series.append(bins)

    def flush(self) -> None:
        """Finish what waits for more samples."""
        assert self.series is not None
        for bins in self._follower.flush():
            self.series.append(bins)

    def clipped_between(self, start_frame: float, end_frame: float) -> bool:
        """Tell whether the output stuck at its highest level; between which frames is not kept."""
        del start_frame, end_frame
        return self._follower.sticks_at_top

    def forget_before(self, frame: float) -> None:
        """Let go of what is older."""
        assert self.series is not None
        self.series.forget_before(frame)


def path_for(setup: Setup) -> SignalPath:
    """Return the path for the columns that carry the signal."""
    if setup.min_max:
        if setup.columns.differential is None:
            raise ValueError("extremes are analysed as those of the differential")
        return ExtremesPath(setup.columns.differential, setup.sample_rate_hz)
    if setup.columns.envelope is not None:
        return EnvelopePath(
            setup.columns.envelope,
            setup.sample_rate_hz,
            setup.low_corner_hz,
            setup.detector_threshold_v or 0.0,
        )
    return RawPath(
        setup.columns,
        setup.channels,
        setup.sample_rate_hz,
        setup.bandwidth_hz,
        setup.carrier_hz,
    )
