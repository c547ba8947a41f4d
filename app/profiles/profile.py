"""A profile: one drive class with its alignment disk and limits, read from TOML and checked."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, fields
from typing import Any

from app.profiles.files import (
    PROFILE,
    ProfileError,
    ProfileShelf,
    Sheet,
    Spec,
    names_on,
    read_sheet,
    why_unread,
)
from app.profiles.windows import AlignmentWindow, WindowTables, windows_from
from instruments.checked_toml import Day, Flag, Number, NumberList, OneOf, TextLine, ValueKind

_TRACK = Number(0, 255, whole=True)
_WINDOWS = "windows"
_GEOMETRIES = ("two-band", "boundary", "alternating", _WINDOWS)
_LEAST_RADIUS_MM, _LARGEST_RADIUS_MM = 10.0, 120.0


_CORE_PART, _CORE_U = 1.1, 0.11
"""A core of 0.33 mm records 0.30 mm; ±19 %, rectangular (our choice)."""


def _drive(
    key: str, kind: ValueKind, unit: str = "", part: str = "value", *, optional: bool = False
) -> Any:
    return field(metadata={"spec": Spec(key, kind, unit, part, optional)})


def _disk(
    key: str, kind: ValueKind, unit: str = "", part: str = "value", *, optional: bool = False
) -> Any:
    return field(metadata={"spec": Spec(key, kind, unit, part, optional, on_disk=True)})


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """One drive class with its alignment disk and limits; ``SPECS`` tells key, range and unit.

    Attributes
    ----------
    name, title : str
        The file's name without ending; words for a list.
    disk, disk_title : str
        The same of the alignment disk.
    reference_radius_mm : tuple of float, shape (sides,)
        Radius of ``reference_track`` on each side, as the class's standard states it.
    reference_track : int
        The track from which the standard's formula counts.
    geometry : str or None
        Recording of the alignment disk, None when it is to be told from the signal.
    pairs : int or None
        Pairs of lobes a turn, None when to be told from the signal.
    windows : tuple of AlignmentWindow or None
        Of a disk whose geometry is windows, in the order of passing.
    first_lobe_outward : bool
        True when the first lobe after the index is the taller with the head outward.
    scale_um, scale_u_um, calibrated : float, float, bool
        Offset for unit balance, its standard uncertainty, and whether both come from a
        certificate or a calibration.
    stepper_phases : int or None
        Tracks after which the stepper's windings are driven alike again.
    radial_tracks : tuple of int or None
        All tracks that carry the radial pattern, None where it is the alignment track alone.
    azimuth_track, azimuth_arcmin : int or None, tuple of float or None
        Track of the azimuth bursts, and the angle of each in the order of passing.
    index_tracks : tuple of int or None
        Tracks that carry a burst after the index.
    certificate_disk, certificate_due : str or None
        The disk's number, as a job names it; the last day on which its certificate counts.
    certificate_date, certificate_temperature_c, certificate_percent : str, float, float or None
        When (ISO 8601), how warm and at what humidity the disk was measured.
    zero_um, zero_u_um, zero_tracks, zero_heads : tuple of float or of int, or None
        What the disk reads where a head is truly on the line of a track, with its standard
        uncertainty; each of the four has an entry for each pair of track and head.
    trimmer : bool or None
        Whether the speed can be trimmed; None where the class does not tell, and it is tried.
    hub_is_free : bool or None
        Whether the disk may be clamped at any angle to the spindle; None where the class does not
        tell.
    index_to_burst_us, index_to_burst_tolerance_us : float or None
        None where the class has no such limit.
    head_width_um, head_width_u_um : float or None
        Width of the head's core, as azimuth bursts see it, and its standard uncertainty.
    sources : tuple of (str, str)
        Where each value comes from, by key.
    """

    name: str
    title: str
    disk: str
    disk_title: str

    speed_rpm: float = _drive("spindle.speed_rpm", Number(250, 400), "rpm")
    speed_tolerance_percent: float = _drive("spindle.tolerance_percent", Number(0.01, 10), "%")
    trimmer: bool | None = _drive("spindle.trimmer", Flag(), optional=True)
    hub_is_free: bool | None = _drive("spindle.hub_is_free", Flag(), optional=True)
    tracks: int = _drive("track.count", Number(1, 256, whole=True))
    reference_radius_mm: tuple[float, ...] = _drive(
        "track.reference_radius_mm",
        NumberList(Number(_LEAST_RADIUS_MM, _LARGEST_RADIUS_MM), 1, 2),
        "mm",
    )
    reference_track: int = _drive("track.reference_track", _TRACK)
    track_pitch_um: float = _drive("track.pitch_um", Number(50, 1000), "µm")
    track_width_um: float = _drive("track.width_um", Number(20, 1000), "µm")
    alignment_track: int = _drive("track.alignment", _TRACK)
    head_width_um: float | None = _drive("head.width_um", Number(20, 2000), "µm", optional=True)
    head_width_u_um: float | None = _drive(
        "head.width_um", Number(0, 500), "µm", "u", optional=True
    )
    density_ftprad: float = _drive("recording.density_ftprad", Number(1600, 45000), "ftprad")
    step_angle_deg: float = _drive("stepper.step_angle_deg", Number(0.1, 90), "°")
    steps_per_track: int = _drive("stepper.steps_per_track", Number(1, 64, whole=True))
    stepper_phases: int | None = _drive("stepper.phases", Number(2, 12, whole=True), optional=True)
    flange_radius_mm: float = _drive("stepper.flange_radius_mm", Number(5, 100), "mm")
    set_limit: float = _drive("limits.set", Number(0.01, 0.9))
    check_limit: float = _drive("limits.check", Number(0.01, 0.9))
    hysteresis_limit_um: float = _drive("limits.hysteresis_um", Number(0.1, 200), "µm")
    azimuth_limit_arcmin: float = _drive("limits.azimuth_arcmin", Number(1, 120), "arcmin")
    index_to_burst_us: float | None = _drive(
        "limits.index_to_burst_us", Number(0, 10_000), "µs", optional=True
    )
    index_to_burst_tolerance_us: float | None = _drive(
        "limits.index_to_burst_tolerance_us", Number(1, 10_000), "µs", optional=True
    )

    geometry: str | None = _disk("pattern.geometry", OneOf.of(*_GEOMETRIES), optional=True)
    pairs: int | None = _disk("pattern.pairs", Number(1, 18, whole=True), optional=True)
    windows: tuple[AlignmentWindow, ...] | None = _disk(
        "pattern.windows", WindowTables(), optional=True
    )
    first_lobe_outward: bool = _disk(
        "pattern.first_lobe", OneOf((("outward", True), ("inward", False)))
    )
    # One entry: who takes over another scale takes over its uncertainty, and states both anew.
    scale_um: float = _disk("pattern.scale_um", Number(1, 2000), "µm")
    scale_u_um: float = _disk("pattern.scale_um", Number(0, 1000), "µm", "u")
    calibrated: bool = _disk("pattern.scale_um", Flag(), "", "calibrated")
    radial_tracks: tuple[int, ...] | None = _disk(
        "radial.tracks", NumberList(_TRACK, 2, 32), optional=True
    )
    azimuth_track: int | None = _disk("azimuth.track", _TRACK, optional=True)
    azimuth_arcmin: tuple[float, ...] | None = _disk(
        "azimuth.angles_arcmin", NumberList(Number(-120, 120), 2, 16), "arcmin", optional=True
    )
    index_tracks: tuple[int, ...] | None = _disk(
        "index.tracks", NumberList(_TRACK, 1, 8), optional=True
    )
    thermal_ppm_per_k: float = _disk("film.thermal_ppm_per_k", Number(0, 100), "10⁻⁶/K")
    humidity_ppm_per_percent: float = _disk(
        "film.humidity_ppm_per_percent", Number(0, 100), "10⁻⁶/%"
    )
    certificate_disk: str | None = _disk("certificate.disk", TextLine(), optional=True)
    certificate_due: str | None = _disk("certificate.due", Day(), optional=True)
    certificate_date: str | None = _disk("certificate.date", Day(), optional=True)
    certificate_temperature_c: float | None = _disk(
        "certificate.temperature_c", Number(0, 60), "°C", optional=True
    )

    certificate_percent: float | None = _disk(
        "certificate.humidity_percent", Number(30, 70), "%", optional=True
    )
    zero_um: tuple[float, ...] | None = _disk(
        "certificate.zero_um", NumberList(Number(-100, 100), 1, 64), "µm", optional=True
    )
    zero_u_um: tuple[float, ...] | None = _disk(
        "certificate.zero_um", NumberList(Number(0, 100), 1, 64), "µm", "u", optional=True
    )
    zero_tracks: tuple[int, ...] | None = _disk(
        "certificate.zero_um", NumberList(_TRACK, 1, 64), "", "tracks", optional=True
    )
    zero_heads: tuple[int, ...] | None = _disk(
        "certificate.zero_um",
        NumberList(Number(0, 1, whole=True), 1, 64),
        "",
        "heads",
        optional=True,
    )

    sources: tuple[tuple[str, str], ...]

    @property
    def sides(self) -> int:
        """Number of sides."""
        return len(self.reference_radius_mm)

    @property
    def carrier_hz(self) -> float:
        """Frequency of a track that has a transition in every place."""
        return self.density_ftprad * self.speed_rpm * math.pi / 60.0

    @property
    def alignment_radius_mm(self) -> float:
        """Radius of the alignment track on side 0."""
        return self.radius_mm(self.alignment_track, 0)

    @property
    def shift_um_per_deg(self) -> float:
        """Radial shift of the head by one degree of the stepper's body."""
        return self.track_pitch_um / (self.step_angle_deg * self.steps_per_track)

    @property
    def flange_mm_per_deg(self) -> float:
        """Way of the flange's edge by one degree of the stepper's body."""
        return math.radians(self.flange_radius_mm)

    def radius_mm(self, track: int, side: int) -> float:
        """Return the radius of a track's centre line.

        Raises
        ------
        ValueError
            When the class has no such track or side.
        """
        if not (0 <= track < self.tracks and 0 <= side < self.sides):
            raise ValueError(f"profile “{self.name}” has no track {track} on a side {side}")
        inward_um = (track - self.reference_track) * self.track_pitch_um
        return self.reference_radius_mm[side] - inward_um / 1000.0

    def zero_of(self, track: int, head: int) -> tuple[float, float] | None:
        """Return what the disk reads where a head is truly on a track's line, and its u in µm.

        None where its paper does not tell.
        """
        rows = zip(
            self.zero_tracks or (),
            self.zero_heads or (),
            self.zero_um or (),
            self.zero_u_um or (),
            strict=True,
        )
        found = {(at, side): (value, u) for at, side, value, u in rows}
        return found.get((track, head))

    @property
    def core_um(self) -> tuple[float, float]:
        """Width of the head's core and its u; a part wider than the track where it is not told."""
        if self.head_width_um is None or self.head_width_u_um is None:
            return _CORE_PART * self.track_width_um, _CORE_U * self.track_width_um
        return self.head_width_um, self.head_width_u_um

    def guesses(self, attribute: str) -> bool:
        """Tell whether a value is remembered or chosen, and stated by nobody."""
        source = dict(self.sources).get(SPECS[attribute].key, "")
        return source.startswith(("from memory", "no source"))

    def wavelength_um(self, track: int, side: int) -> float:
        """Return the carrier's length on a track: two transitions, each 1/density of a radian."""
        return 2000.0 * self.radius_mm(track, side) / self.density_ftprad


SPECS: dict[str, Spec] = {
    each.name: each.metadata["spec"] for each in fields(Profile) if "spec" in each.metadata
}
"""Key, range and unit of each attribute that a file states."""

_DRIVES = ProfileShelf(
    "profile",
    "",
    frozenset({"title", "base", "disk"}),
    {spec.key for spec in SPECS.values() if not spec.on_disk},
)
_DISKS = ProfileShelf(
    "alignment disk",
    "disks",
    frozenset({"title", "base"}),
    {spec.key for spec in SPECS.values() if spec.on_disk},
)


def profile_names() -> tuple[str, ...]:
    """Return the names of all profiles, the program's and the user's."""
    return names_on(_DRIVES)


def disk_names() -> tuple[str, ...]:
    """Return the names of all alignment disks, the program's and the user's."""
    return names_on(_DISKS)


def unread_folders() -> list[str]:
    """Return why folders of the user's own were passed over."""
    return [why for shelf in (_DRIVES, _DISKS) if (why := why_unread(shelf))]


def load_profile(name: str, disk: str = "") -> Profile:
    """Read one profile; a user's own goes before the program's of the same name.

    Parameters
    ----------
    name : str
        The class of drive.
    disk : str
        The alignment disk; empty for the one that the class names.

    Raises
    ------
    ProfileError
        When there is none of that name, or its content may not stand.
    """
    drive = read_sheet(_DRIVES, name)
    disk_name = disk or drive.words.get("disk")
    if disk_name is None:
        raise PROFILE.missing(drive.where, "disk", "name an alignment disk")
    disk_sheet = read_sheet(_DISKS, disk_name, f"profile “{drive.where}”: ")
    values = {
        attribute: _value(disk_sheet if spec.on_disk else drive, spec)
        for attribute, spec in SPECS.items()
    }
    if values["windows"] is not None:
        spec = SPECS["windows"]
        where = disk_sheet.place_of(spec.key)
        values["windows"] = windows_from(values["windows"], where, spec.path)
    said = drive.entries | disk_sheet.entries
    profile = Profile(
        name=name,
        title=drive.words["title"],
        disk=disk_name,
        disk_title=disk_sheet.words["title"],
        sources=tuple((key, entry["source"]) for key, (entry, _) in said.items()),
        **values,
    )
    _check_together(profile, drive, disk_sheet)
    return profile


def _value(sheet: Sheet, spec: Spec) -> Any:
    """Return one value, checked; None where it may be and is left out."""
    entry, where = sheet.entries.get(spec.key, ({}, sheet.where))
    if not entry and spec.optional:
        return None
    parts = {each.part for each in SPECS.values() if each.key == spec.key} | {"source"}
    for part in entry:
        if part not in parts:
            allowed = " and ".join(sorted(parts))
            raise PROFILE.refusal(where, spec.key, entry, f"a table of {allowed} alone")
    if spec.part not in entry:
        raise PROFILE.missing(where, spec.path)
    value = spec.kind.read(entry[spec.part])
    if value is None:
        raise PROFILE.refusal(where, spec.path, entry[spec.part], spec.allowed)
    return value


def _place_of(key: str, drive: Sheet, disk: Sheet) -> str:
    return disk.place_of(key) if key in disk.entries else drive.place_of(key)


def _check_zero(profile: Profile, disk: Sheet) -> None:
    """Refuse columns of zeros that do not make a table, or one of which no drive has a place."""
    key, names = "certificate.zero_um", ("zero_um", "zero_u_um", "zero_tracks", "zero_heads")
    if profile.zero_um is None:
        return
    counts = [len(getattr(profile, name)) for name in names]
    if len(set(counts)) > 1:
        allowed = "lists of value, u, tracks and heads of one length, an entry for each pair"
        raise PROFILE.refusal(disk.place_of(key), key, counts, allowed)
    places = list(zip(profile.zero_tracks or (), profile.zero_heads or (), strict=True))
    for track, head in places:
        if track >= profile.tracks or head >= profile.sides or places.count((track, head)) > 1:
            allowed = f"one for each track, 0 to {profile.tracks - 1}, and head of this class"
            shown = f"for track {track} and head {head}"
            raise PROFILE.refusal(disk.place_of(key), key, shown, allowed)


def _check_together(profile: Profile, drive: Sheet, disk: Sheet) -> None:
    """Refuse values that may each stand alone, and not beside one another."""
    last = f"a track of this class, 0 to {profile.tracks - 1}"
    for attribute in ("alignment_track", "azimuth_track", "index_tracks", "radial_tracks"):
        value, spec = getattr(profile, attribute), SPECS[attribute]
        tracks: Iterable[int] = value if isinstance(value, tuple) else (value or 0,)
        if any(track >= profile.tracks for track in tracks):
            where = (disk if spec.on_disk else drive).place_of(spec.key)
            raise PROFILE.refusal(where, spec.path, value, last)
    _check_zero(profile, disk)
    if profile.set_limit > profile.check_limit:
        raise PROFILE.refusal(
            drive.place_of("limits.set"),
            "limits.set",
            profile.set_limit,
            f"no larger than limits.check, {profile.check_limit:g}",
        )
    for side in range(profile.sides):
        for track in (0, profile.tracks - 1):
            radius_mm = profile.radius_mm(track, side)
            if not _LEAST_RADIUS_MM <= radius_mm <= _LARGEST_RADIUS_MM:
                raise PROFILE.refusal(
                    drive.place_of("track.reference_radius_mm"),
                    "track.reference_radius_mm",
                    list(profile.reference_radius_mm),
                    f"such that track {track} of side {side} is at {_LEAST_RADIUS_MM:g} to "
                    f"{_LARGEST_RADIUS_MM:g} mm; with the pitch it is at {radius_mm:g} mm",
                )
    _check_pattern(profile, disk)
    for first, second in (
        ("azimuth_track", "azimuth_arcmin"),
        ("certificate_date", "certificate_temperature_c"),
        ("index_to_burst_us", "index_to_burst_tolerance_us"),
    ):
        stated, missing = (first, second)
        if getattr(profile, stated) is None:
            stated, missing = missing, stated
        if getattr(profile, stated) is not None and getattr(profile, missing) is None:
            where = _place_of(SPECS[stated].key, drive, disk)
            raise ProfileError(
                f"profile “{where}”: {SPECS[missing].path} is missing beside "
                f"{SPECS[stated].path}; add it"
            )


def _check_pattern(profile: Profile, disk: Sheet) -> None:
    """Refuse a pattern that contradicts its windows, or the head that is to read it."""

    def refuse(attribute: str, shown: object, allowed: str) -> None:
        raise PROFILE.refusal(disk.where, SPECS[attribute].path, shown, allowed)

    windows = profile.windows
    if windows is None and profile.geometry == _WINDOWS:
        raise PROFILE.missing(disk.place_of("pattern.geometry"), "pattern.windows")
    if windows is not None:
        if profile.geometry is None:
            mend = f'state "{_WINDOWS}" beside pattern.windows'
            raise PROFILE.missing(disk.place_of("pattern.windows"), "pattern.geometry", mend)
        if profile.geometry != _WINDOWS:
            refuse("geometry", profile.geometry, f'"{_WINDOWS}" beside pattern.windows')
        if profile.pairs is not None:
            refuse("pairs", profile.pairs, "left out beside pattern.windows, which tell it")
        if profile.first_lobe_outward != windows[0].outward:
            stated, first = ("outward", "inward")[:: 1 if profile.first_lobe_outward else -1]
            refuse("first_lobe_outward", stated, f'"{first}", the side of the first window')
    # The bands of a boundary recording lie beneath the head on both sides of the line (by
    # geometry): off centre to the spindle by the scale, a narrower head leaves them.
    width_um = profile.head_width_um
    if profile.geometry == "boundary" and width_um and profile.scale_um > 0.5 * width_um:
        half = f"at most {0.5 * width_um:g} µm, half of head.width_um, of a boundary recording"
        refuse("scale_um", profile.scale_um, half)
