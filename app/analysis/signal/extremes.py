"""From pairs of extremes, as a scope's peak detect keeps them, to the envelope.

A pair holds the lowest and the highest sample of a stretch in which the carrier swings many
times: half their difference is the amplitude, made larger by noise. Where there is no signal it
is the noise's own extremes, the floor, which the nulls show. On a signal only the samples near
the carrier's peaks can be the extreme ones, so a part of the floor is added there.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from app.analysis import messages
from app.analysis.reading import Message
from app.analysis.signal.floor import Floor, floor_of
from app.analysis.signal.series import Cells, EnvelopeSeries

_CELL_S = 0.5e-3


class ExtremesPath:
    """Pairs of extremes, record by record.

    Parameters
    ----------
    column : int
        The differential's column: rows are the lowest and the highest value of a stretch in turn.
    sample_rate_hz : float
        Rows a second: two for each stretch.
    """

    def __init__(self, column: int, sample_rate_hz: float) -> None:
        self._column = column
        self._pairs_a_cell = max(1, round(_CELL_S * sample_rate_hz / 2.0))
        self.series: EnvelopeSeries | None = EnvelopeSeries(2 * self._pairs_a_cell)
        self.starts = 1
        self._floor = Floor()

    @property
    def fault(self) -> Message | None:
        """Why there is no usable envelope now, None when there is."""
        if not (self.series and self.series.ok.size):
            return messages.WAITING
        return None if self._floor.told else messages.NO_FLOOR

    @property
    def height_u_v(self) -> float:
        """Standard uncertainty of the part of the floor that is left on a signal."""
        return self._floor.u_v

    def push(self, samples_v: NDArray[np.float32], first_index: int) -> None:
        """Take a whole record, its first row a lowest value."""
        assert self.series is not None
        frames = self.series.frames_a_cell
        skip = -first_index % frames
        rows = samples_v[skip : skip + (len(samples_v) - skip) // frames * frames, self._column]
        if not len(rows):
            return
        pairs = rows.reshape(-1, 2).astype(np.float64)
        size = 0.5 * (pairs[:, 1] - pairs[:, 0])
        fine = size[np.isfinite(size)]
        if not fine.size:
            return
        self._floor = floor_of(fine)
        cells = size.reshape(-1, self._pairs_a_cell)
        sigma = _scatter(fine) / np.sqrt(self._pairs_a_cell)
        amplitude = self._floor.taken_from(cells.mean(axis=1))
        ok = np.isfinite(amplitude)
        amplitude = np.where(ok, amplitude, 0.0)
        self.series.append(
            Cells(
                first=(first_index + skip) // frames,
                power_v2=amplitude * np.abs(amplitude) - sigma**2,
                sigma_v=np.full(len(amplitude), sigma),
                carrier_hz=np.zeros(len(amplitude)),
                ok=ok,
            )
        )

    def flush(self) -> None:
        """Do nothing: a record is whole."""

    def clipped_between(self, start_frame: float, end_frame: float) -> bool:
        """Return False: a record's rails are its source's to tell."""
        del start_frame, end_frame
        return False

    def forget_before(self, frame: float) -> None:
        """Let go of what is older."""
        if self.series is not None:
            self.series.forget_before(frame)


def _scatter(values: NDArray[np.float64]) -> float:
    """Return the standard deviation of one value from the steps between neighbours."""
    if values.size < 8:
        return 0.0
    return 1.4826 * float(np.median(np.abs(np.diff(values)))) / float(np.sqrt(2.0))
