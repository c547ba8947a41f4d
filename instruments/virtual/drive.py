"""The virtual drive: all its parts joined, and the truth about them.

It has no clock; times are passed in. :class:`Truth` is for tests and for the file that ``simulate``
writes; no source passes it on.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import log10, radians, tan, tau

import numpy as np
from numpy.typing import NDArray

from instruments.virtual.disk import (
    Alternating,
    Beat,
    Boundary,
    Disk,
    DiskIn,
    DropOuts,
    Evenness,
    OrdinaryTrack,
    Recording,
    ScratchDisk,
    Track,
    TwoBand,
    WindowedBursts,
    azimuth_loss,
    bursts,
    presence,
    wavelength_um,
)
from instruments.virtual.electronics import Amplifier, noise_for_snr_v
from instruments.virtual.mechanics import (
    ALIGNMENT_TRACK,
    PITCH_UM,
    Clamp,
    Faults,
    IndexSensor,
    Positioner,
    Screws,
    Spindle,
    Wow,
)
from instruments.virtual.params import OPTIONS, VirtualParams, windows_of


@dataclass(frozen=True, slots=True)
class Truth:
    """The state behind a stretch of samples. It never reaches the analysis.

    Attributes
    ----------
    geometry, pairs : str, int
        The recording, and its pairs of lobes a turn.
    first_v, second_v : float
        Maxima of the noise-free envelope of the differential over the turn, at the first lobe
        after the index and at the second; of alternating groups and windows the means of the flat
        tops, outward first.
        Drop-outs are left out.
    ratio, balance, difference : float or None
        smaller/larger; (first − second)/(first + second); 1 − ratio. None off the track.
    offset_um : float
        Offset of the head from the track line, positive outward.
    middle_um, hysteresis_um : float
        Middle of the two positions of rest, and their distance.
    scale_um : float
        Offset for unit balance of the recording.
    speed_rpm, carrier_hz : float
        Means over the stretch.
    azimuth_arcmin : float
        The head's azimuth error.
    index_delay_us : float
        From the index to the burst, at that speed.
    shift_um, oval_um : float
        Eccentricity and ovality of the seating.
    snr_db : float or None
        Sine power at the top of the taller lobe over noise power in the full sampled band; None
        without noise.
    virtual : bool
        True: said wherever the drive's samples are kept.
    """

    geometry: str
    pairs: int
    first_v: float
    second_v: float
    ratio: float | None
    balance: float | None
    difference: float | None
    offset_um: float
    middle_um: float
    hysteresis_um: float
    scale_um: float
    speed_rpm: float
    carrier_hz: float
    azimuth_arcmin: float
    index_delay_us: float
    shift_um: float
    oval_um: float
    snr_db: float | None
    virtual: bool = True


NOMINAL_RPM = 300.0
"""Speed to which carrier and index width are referred."""


def spindle_of(params: VirtualParams, rng: np.random.Generator) -> Spindle:
    """Return the spindle; chance decides where its slow changes and its turn begin."""
    wow_phase, drift_phase, start_turns = rng.random(3)
    wow = Wow(params.wow_percent / 100.0, params.wow_hz, tau * wow_phase)
    drift = Wow(params.drift_percent / 100.0, 1.0 / params.drift_period_s, tau * drift_phase)
    speed_rpm = params.speed_rpm + params.age_months * params.ageing_rpm
    return Spindle(speed_rpm, tuple(part for part in (wow, drift) if part.depth), start_turns)


def amplifier_of(params: VirtualParams, rng: np.random.Generator) -> Amplifier:
    """Return the read amplifier; chance decides the hum's phase."""
    return Amplifier(
        amplitude_v=params.amplitude_v,
        noise_v=noise_for_snr_v(params.amplitude_v, params.snr_db),
        hum_v=params.hum_v,
        hum_hz=params.hum_hz,
        hum_phase_rad=tau * rng.random(),
        mismatch=params.mismatch_percent / 100.0,
        dc_v=params.dc_v,
        third_harmonic=params.third_harmonic,
    )


def disk_of(params: VirtualParams, rng: np.random.Generator, swing: np.random.Generator) -> Disk:
    """Return the alignment disk; chance decides where its drop-outs are and it is strongest."""
    places_turns = rng.random(params.drop_outs)
    drop_outs = DropOuts(
        places_turns=places_turns if params.drop_out_place == "fixed" else None,
        count=params.drop_outs,
        length_turns=params.drop_out_deg / 360.0,
        depth=params.drop_out_depth,
        seed=int(rng.integers(2**32)),
    )
    cycles = round(params.carrier_hz / (NOMINAL_RPM / 60.0))
    evenness = Evenness(
        params.radial_modulation_percent / 100.0, swing.random(), params.blank_deg / 360.0
    )
    return Disk(_recording(params), cycles, drop_outs, evenness)


def _recording(params: VirtualParams) -> Recording:
    scale_um, head_um = params.scale_um, params.head_um
    pairs = params.pairs if params.recording == "alternating" else 1
    top_turns = params.first_lobe / (2 * pairs)
    match params.recording:
        case "two-band":
            return TwoBand(top_turns, scale_um, params.band_eccentricity * scale_um, head_um)
        case "boundary":
            return Boundary(top_turns, scale_um, head_um)
        case "alternating":
            return Alternating(top_turns, scale_um, pairs, head_um)
        case "windows":
            return WindowedBursts(windows_of(params.windows) or (), scale_um, head_um)
        case "track":
            return OrdinaryTrack(params.track_um, scale_um, head_um)
        case _:
            return Beat(top_turns, scale_um, head_um)


RADIAL_TRACKS = (3, 9, ALIGNMENT_TRACK, 22, 32)
"""Tracks with the radial pattern (our choice): one at least for each of the stepper's phases, over
the stroke, none where an arrival on the alignment track steps away to."""
AZIMUTH_TRACK = 34
AZIMUTH_ARCMIN = (-12.0, 12.0, -18.0, 18.0)
"""From memory: angles of the alignment disk's bursts in the order of passing."""
BURST_TRACKS = (1, AZIMUTH_TRACK)
"""From memory: tracks of the alignment disk that carry a burst after the index."""
_TRUTH_PLACES = 7200


@dataclass(frozen=True, slots=True)
class Signal:
    """The head's signal at some moments, before hum and noise.

    Attributes
    ----------
    carrier_turns : numpy.ndarray
        float64, shape (n,): phase of the carrier in cycles.
    along_v : numpy.ndarray
        float64, shape (n,): signed amplitude of the differential in phase with the carrier.
    across_v : numpy.ndarray or None
        Likewise for the part that is a quarter turn ahead.
    skew_rad : float
        By how much of a cycle positive tops come early and negative ones late.
    """

    carrier_turns: NDArray[np.float64]
    along_v: NDArray[np.float64]
    across_v: NDArray[np.float64] | None
    skew_rad: float = 0.0

    @property
    def envelope_v(self) -> NDArray[np.float64]:
        """Peak amplitude of the differential."""
        if self.across_v is None:
            return np.abs(self.along_v)
        return np.hypot(self.along_v, self.across_v)


_WEAR: dict[str, dict[str, float]] = {
    "rails": {"backlash_um": 12.0},
    "lubrication": {"backlash_um": 6.0, "long_seek_um": 8.0},
    "belt": {"wow_percent": 1.2},
    "cone": {"clamp_um": 25.0, "oval_um": 3.0},
    "pad": {"modulation_percent": 25.0},
}
"""What wear adds to a drive, by the part that is worn (our choice)."""


def as_worn(params: VirtualParams) -> VirtualParams:
    """Return the drive with what its worn part makes of it."""
    worn = {
        name: min(getattr(params, name) + more, OPTIONS[name].high)
        for name, more in _WEAR.get(params.worn, {}).items()
    }
    return replace(params, **worn)


class VirtualDrive:
    """A drive, an alignment disk and a scratch disk.

    Its state is what the hands change: positioner, screws, clamp, head, disk, trimmed speed. All
    else is fixed by the parameters and a function of the time that is asked for. Not for several
    threads at once; `write_protected` and `at_track_zero` may be read by any.

    Parameters
    ----------
    params : VirtualParams
        What it is like; the seed decides whatever is drawn by chance.
    """

    def __init__(self, params: VirtualParams) -> None:
        params = as_worn(params)
        # A part added later gets a stream added at the end: older captures stay the same.
        # SFC64 is numpy's fastest, and noise takes most of the time.
        seats, disk, phases, plus_noise, minus_noise, hand, screws, scratch, swing, angles = (
            np.random.Generator(np.random.SFC64(seed))
            for seed in np.random.SeedSequence(params.seed).spawn(10)
        )
        self.spindle = spindle_of(params, phases)
        self.amplifier = amplifier_of(params, phases)
        self.index = IndexSensor(
            amplitude_v=params.index_v,
            active_high=params.index_polarity == "high",
            width_turns=params.index_width_ms * 1e-3 * NOMINAL_RPM / 60.0,
            edge_s=params.index_edge_us * 1e-6,
        )
        self.disk = disk_of(params, disk, swing)
        self.clamp = Clamp(params.clamp_um, params.oval_um, seats, angles)
        faults = Faults(params.slope_um, params.phase_um, params.long_seek_um, params.play_um)
        found_um = params.offset_um + params.age_months * params.ageing_um
        self.positioner = Positioner(found_um, params.backlash_um, faults)
        self.screws = Screws(
            params.creep_um, params.creep_scatter_um, screws, tight=params.screws == "tight"
        )
        self.noise = (plus_noise, minus_noise)
        """Streams of the noise of the two phases; whoever samples draws from them."""
        self.side = 0
        """The head that is selected."""
        self._params = params
        self._hand = hand
        self._scratch = ScratchDisk(params, self.disk.cycles_per_turn, scratch.random())
        self._in = DiskIn.ALIGNMENT
        self._clamped = True
        self._gauge_zero_um = self.positioner.offset_um

    def nudge(self, offset_um: float) -> None:
        """Turn the stepper's body so that the head moves outward by about `offset_um`.

        The hand's own error comes on top. While the screws are tight nothing moves.
        """
        if self.screws.tight:
            return
        part, rest = self._hand.standard_normal(2)
        params = self._params
        offset_um *= 1.0 + params.hand_percent / 100.0 * part
        self.positioner.nudge(offset_um + params.hand_um * rest)

    def step(self, tracks: int) -> None:
        """Step the head `tracks` tracks inward (positive) or outward (negative)."""
        self.positioner.step(tracks)

    def seek(self, track: int) -> None:
        """Step the head to a track."""
        self.positioner.seek(track)

    def push(self, outward: bool) -> None:
        """Push the arm lightly to one side, and let it go."""
        self.positioner.push(outward)

    def select(self, side: int) -> None:
        """Select the head of a side, 0 or 1."""
        self.side = side

    def lift(self) -> None:
        """Open the clamp: the disk stops, and nothing is read of it until it is seated again."""
        self._clamped = False

    @property
    def disk_turns(self) -> bool:
        """Whether the disk turns with the spindle; the index is a hole in it."""
        return self._clamped

    def reseat(self) -> None:
        """Close the clamp, which was opened for that: a new seating of the disk."""
        self._clamped = True
        self.clamp.reseat()

    def loosen(self) -> None:
        """Loosen the clamp screws of the stepper's body."""
        self.screws.loosen()

    def tighten(self) -> None:
        """Tighten the clamp screws; that moves the body."""
        self.positioner.nudge(self.screws.tighten())

    def trim_speed(self, percent: float, at_s: float) -> None:
        """Turn the speed trimmer: from `at_s` on the spindle is faster by `percent`."""
        self.spindle = self.spindle.trimmed(1.0 + percent / 100.0, at_s)

    def insert(self, disk: str) -> None:
        """Change the disk: one of :class:`DiskIn`."""
        self._in = DiskIn(disk)
        self.reseat()

    def write(self, pattern: str) -> None:
        """Write the track under the head, ``"1F"`` or ``"2F"``, unless that is protected.

        The virtual alignment disk is never written, whatever its sensor says.
        """
        if self._in is not DiskIn.ALIGNMENT and not self.write_protected:
            self._scratch.write(self.positioner.track, self.side, pattern)

    def zero_gauge(self) -> None:
        """Set the dial gauge at the carriage to zero, where the head stands now."""
        self._gauge_zero_um = self.positioner.offset_um

    @property
    def gauge_um(self) -> float:
        """What the dial gauge at the carriage says, in whole micrometres; outward is positive.

        It tells how far the head was moved, and nothing of where a track is.
        """
        return float(round(self.positioner.offset_um - self._gauge_zero_um))

    @property
    def write_protected(self) -> bool:
        """What the drive's write-protect sensor says."""
        covered = self._in is not DiskIn.SCRATCH
        return covered and self._params.protect == "works"

    def is_worn(self, part: str) -> bool:
        """Tell whether an eye sees wear at a part of the mechanics."""
        return part == self._params.worn

    @property
    def at_track_zero(self) -> bool:
        """What the drive's track-zero sensor says."""
        return self.positioner.track == 0

    @property
    def track(self) -> Track:
        """What lies under the head."""
        place, cycles = self.positioner.track, self.disk.cycles_per_turn
        if self._in is not DiskIn.ALIGNMENT:
            return self._scratch.track(place, self.side)
        if isinstance(self.disk.recording, OrdinaryTrack):
            # It stands alone on its disk.
            return Track(cycles, self.disk.recording.wave)
        if place in BURST_TRACKS:
            return _bursts(self._params, place, self.side, cycles)
        return Track(cycles, self._recording.wave, presence(self._off_line_um, PITCH_UM))

    def signal(self, times_s: NDArray[np.float64]) -> Signal:
        """Return the head's signal at `times_s`, rising, with head and disk as they stand."""
        turns, track = self.spindle.turns(times_s), self.track
        warm_um = self._warm_um(times_s)
        along, across = track.wave(turns, self._offset_um(turns) + warm_um)
        gain = track.gain if self._clamped else 0.0
        gains_v = np.full_like(turns, self.amplifier.amplitude_v * gain)
        if self._on_radial_track:
            gains_v *= self.disk.evenness.gain(turns)
        if self._params.spindle_modulation_percent:
            gains_v *= self._contact(turns)
        self.disk.drop_outs.apply(turns, gains_v)
        return Signal(
            carrier_turns=turns * track.cycles_per_turn,
            along_v=along * gains_v,
            across_v=None if across is None else across * gains_v,
            skew_rad=track.skew_rad,
        )

    def truth(self, start_s: float, end_s: float) -> Truth:
        """Return what is true between two moments, with head and disk as they stand now."""
        places = np.arange(_TRUTH_PLACES) / _TRUTH_PLACES
        warm_um = float(self._warm_um(np.array([(start_s + end_s) / 2.0]))[0])
        offset_um = self._off_line_um + warm_um
        gain_v = self.amplifier.amplitude_v * presence(offset_um, PITCH_UM)
        recording = self._recording
        even = self.disk.evenness.gain(places) * self._contact(places)
        first, second = recording.heights(places, self._offset_um(places) + warm_um, even)
        first_v, second_v = first * gain_v, second * gain_v
        taller_v, lower_v = max(first_v, second_v), min(first_v, second_v)
        speed_rpm = self.spindle.mean_rpm(start_s, end_s)
        noise_v = self.amplifier.noise_v
        there = taller_v > 0.0
        return Truth(
            geometry=recording.geometry,
            pairs=recording.pairs,
            first_v=first_v,
            second_v=second_v,
            ratio=lower_v / taller_v if there else None,
            balance=(first_v - second_v) / (first_v + second_v) if there else None,
            difference=1.0 - lower_v / taller_v if there else None,
            offset_um=offset_um,
            middle_um=self.positioner.middle_um + self._side_um + warm_um,
            hysteresis_um=self._params.backlash_um,
            scale_um=recording.scale_um,
            speed_rpm=speed_rpm,
            carrier_hz=self.disk.cycles_per_turn * speed_rpm / 60.0,
            azimuth_arcmin=_azimuth_arcmin(self._params, self.side),
            index_delay_us=_delay_turns(self._params, self.side) * 60e6 / speed_rpm,
            shift_um=self.clamp.seating.shift_um,
            oval_um=self.clamp.seating.oval_um,
            snr_db=20.0 * log10(taller_v * 0.5**0.5 / noise_v) if noise_v and there else None,
        )

    @property
    def _on_radial_track(self) -> bool:
        return self._in is DiskIn.ALIGNMENT and self.positioner.track not in BURST_TRACKS

    @property
    def _recording(self) -> Recording:
        """How the radial track is recorded, as the azimuth of the head that is selected has it."""
        recording, cycles = self.disk.recording, self.disk.cycles_per_turn
        if not isinstance(recording, Boundary):
            return recording
        tilt = tan(radians(_azimuth_arcmin(self._params, self.side) / 60.0))
        length_um = wavelength_um(ALIGNMENT_TRACK, self.side, cycles)
        return replace(recording, tilt_per_um=tau * tilt / length_um)

    @property
    def _side_um(self) -> float:
        return self._params.side_um if self.side else 0.0

    @property
    def _off_line_um(self) -> float:
        """Offset of the head from the line of what is recorded on or beside its track."""
        radial = self.positioner.track in RADIAL_TRACKS
        of_carriage = self.positioner.off_line_um if radial else self.positioner.offset_um
        return of_carriage + self._side_um

    def _offset_um(self, turns: NDArray[np.float64]) -> NDArray[np.float64]:
        return self._off_line_um - self.clamp.seating.runout_um(turns)

    def _contact(self, turns: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the factor that the spindle makes of whatever is read, by the disk's angle."""
        swing = np.cos(tau * (turns - self.clamp.seating.spindle_turns))
        return 1.0 + self._params.spindle_modulation_percent / 100.0 * swing

    def _warm_um(self, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how far the head has gone outward with warmth."""
        minutes = times_s / 60.0
        return self._params.warm_um * (1.0 - np.exp(-minutes / self._params.warm_minutes))


def _azimuth_arcmin(params: VirtualParams, side: int) -> float:
    return params.azimuth_side_arcmin if side else params.azimuth_arcmin


def _delay_turns(params: VirtualParams, side: int) -> float:
    delay_us = params.index_burst_us + (params.index_side_us if side else 0.0)
    return delay_us * 1e-6 * NOMINAL_RPM / 60.0


def _bursts(params: VirtualParams, place: int, side: int, cycles: int) -> Track:
    heights = (1.0,)
    if place == AZIMUTH_TRACK:
        length_um = wavelength_um(place, side, cycles)
        head_arcmin = _azimuth_arcmin(params, side)
        heights = tuple(
            # The bursts are recorded wider than the head.
            azimuth_loss(params.head_um, angle - head_arcmin, length_um)
            for angle in AZIMUTH_ARCMIN
        )
    return bursts(_delay_turns(params, side), heights, cycles)
