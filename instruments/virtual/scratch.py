"""The scratch disk: tracks that the drive writes itself."""

from __future__ import annotations

from enum import StrEnum
from math import tau

from instruments.virtual.params import VirtualParams
from instruments.virtual.tracks import Blank, Track, Written, spacing_loss, wavelength_um


class DiskIn(StrEnum):
    """The disk in the drive."""

    ALIGNMENT = "alignment"
    """It has no notch: the sensor protects it."""
    SCRATCH = "scratch"
    PROTECTED = "protected"
    """The scratch disk with its notch covered."""


class ScratchDisk:
    """A blank disk of the drive's class.

    Parameters
    ----------
    params : VirtualParams
        The drive's.
    cycles_per_turn : int
        Of a track of ones (2F); one of noughts (1F) has half of it.
    place_turns : float
        Where a written track is strongest.
    """

    def __init__(self, params: VirtualParams, cycles_per_turn: int, place_turns: float) -> None:
        self._params = params
        self._cycles = {"1F": cycles_per_turn // 2, "2F": cycles_per_turn}
        self._place_turns = place_turns
        self._written: dict[tuple[int, int], str] = {}

    def write(self, track: int, side: int, pattern: str) -> None:
        """Write a track.

        Raises
        ------
        ValueError
            When `pattern` is neither ``"1F"`` nor ``"2F"``.
        """
        if pattern not in self._cycles:
            raise ValueError(f"a track is written with 1F or 2F, not with “{pattern}”")
        self._written[track, side] = pattern

    def track(self, track: int, side: int) -> Track:
        """Return what is on a track."""
        pattern = self._written.get((track, side))
        if pattern is None:
            return Blank(self._cycles["2F"])
        params, cycles = self._params, self._cycles[pattern]
        return Written(
            height=spacing_loss(params.spacing_um, wavelength_um(track, side, cycles)),
            modulation=params.modulation_percent / 100.0,
            place_turns=self._place_turns,
            cycles_per_turn=cycles,
            # Tops that come early by e and late by e stand 2e nearer on one side.
            skew_rad=tau * cycles * params.speed_rpm / 60.0 * params.asymmetry_ns * 1e-9 / 2.0,
        )
