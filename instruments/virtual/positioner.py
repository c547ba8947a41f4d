"""The positioner: a stepper whose body can be turned, and whose drive has backlash."""

from __future__ import annotations

from math import isfinite


class Positioner:
    """Where the head stands.

    The head rests half the backlash outward of the middle when it arrived from the outer side
    (stepping inward), and as far inward of it when it arrived from the inner side. It starts as
    having arrived from the outer side, where track 0 is.

    Parameters
    ----------
    offset_um : float
        Radial offset of the head from the track line at the start, positive outward.
    backlash_um : float
        Distance between the two positions of rest.
    pitch_um : float
        Radial distance of two tracks.
    track, last_track : int
        Track at the start, and the innermost; the stops at 0 and there hold the head.
    step_angle_deg : float
        Turn of the stepper for one track.
    """

    def __init__(
        self,
        offset_um: float,
        backlash_um: float,
        *,
        pitch_um: float,
        track: int,
        last_track: int,
        step_angle_deg: float,
    ) -> None:
        self._backlash_um = backlash_um
        self._pitch_um = pitch_um
        self._start_track = track
        self._last_track = last_track
        self._step_angle_deg = step_angle_deg
        self._side = 1
        self._body_um = offset_um - backlash_um / 2.0
        self.track = track

    @property
    def offset_um(self) -> float:
        """Offset of the head from the line of the track that it started on, positive outward."""
        away_um = (self._start_track - self.track) * self._pitch_um
        return self.rest_um + away_um

    @property
    def rest_um(self) -> float:
        """Offset of the head from the line of the track that it stands on."""
        return self._body_um + self._side * self._backlash_um / 2.0

    @property
    def middle_um(self) -> float:
        """Middle of the two positions of rest on the starting track: the hysteresis centred."""
        return self._body_um

    @property
    def body_angle_deg(self) -> float:
        """Angle of the stepper's body from where the hysteresis is centred on the track line."""
        return self._body_um / self._pitch_um * self._step_angle_deg

    def nudge(self, offset_um: float) -> None:
        """Turn the stepper's body so that the head moves outward by `offset_um`.

        Raises
        ------
        ValueError
            When `offset_um` is not a finite number.
        """
        if not isfinite(offset_um):
            raise ValueError(f"a nudge of {offset_um} µm is none; give a finite number")
        self._body_um += offset_um

    def seek(self, track: int) -> None:
        """Step to a track, as far as the stops."""
        self.step(track - self.track)

    def step(self, tracks: int) -> None:
        """Step `tracks` tracks inward (positive) or outward (negative), as far as the stops."""
        target = min(max(self.track + tracks, 0), self._last_track)
        if target != self.track:
            self._side = 1 if target > self.track else -1
            self.track = target
