"""Profiles in words: the list of them, and every value of one with its unit and source."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from app.profiles.files import ProfileError, user_profile_folder
from app.profiles.profile import SPECS, Profile, load_profile, profile_names, unread_folders
from instruments.checked_toml import OneOf

NOT_STATED = "not stated"
"""Stands for a value that the files leave out."""
_LEFT_OPEN = {"geometry": "told from the signal", "pairs": "told from the signal"}


def profiles_as_text() -> str:
    """Return the list of profiles as lines; one that cannot be used says why."""
    rows: list[tuple[str, ...]] = [("profile", "title", "alignment disk")]
    faults = unread_folders()
    for name in profile_names():
        try:
            profile = load_profile(name)
        except ProfileError as fault:
            rows.append((name, "cannot be used: see below", ""))
            faults.append(str(fault))
        else:
            rows.append((name, profile.title, profile.disk))
    return "\n".join([*_columns(rows), f"Your own go in {user_profile_folder()}", *faults])


def profile_as_text(profile: Profile) -> str:
    """Return every value of a profile with its unit and source, and what follows from them."""
    rows = [("key", "value", "unit", "source")]
    rows += [(key, words, unit or "–", source) for key, words, unit, source in _stated(profile)]
    head = [
        f"{profile.name}: {profile.title}",
        f"alignment disk {profile.disk}: {profile.disk_title}",
    ]
    return "\n".join([*head, "", *_columns([*rows, *_derived(profile)])])


def profile_values(profile: Profile) -> tuple[tuple[str, str, str], ...]:
    """Return key, value with its unit, and source of every value, as they are kept with a job."""
    return tuple(
        (key, f"{words} {unit}".rstrip(), source) for key, words, unit, source in _stated(profile)
    )


def _stated(profile: Profile) -> list[tuple[str, str, str, str]]:
    """Return key, value, unit and source of everything that the files state."""
    sources = dict(profile.sources)
    rows = []
    for attribute, spec in SPECS.items():
        value = getattr(profile, attribute)
        words = _LEFT_OPEN.get(attribute, NOT_STATED) if value is None else _words(value)
        if isinstance(spec.kind, OneOf) and value is not None:
            words = next(word for word, kept in spec.kind.words if kept == value)
        unit = spec.unit if value is not None else ""
        rows.append((spec.path, words, unit, sources.get(spec.key, "–")))
    return rows


def _derived(profile: Profile) -> list[tuple[str, ...]]:
    """Return what is worked out and stored nowhere."""
    formula = "derived: reference radius + (reference track - n) x pitch"
    rows = [("carrier", _words(profile.carrier_hz / 1e3), "kHz", "derived: ftprad x rpm x pi / 60")]
    for side in range(profile.sides):
        for track in (0, profile.alignment_track, profile.tracks - 1):
            radius = _words(profile.radius_mm(track, side))
            rows.append((f"radius of track {track}, side {side}", radius, "mm", formula))
    if profile.azimuth_track is not None:
        length = _words(profile.wavelength_um(profile.azimuth_track, 0))
        source = "derived: 2 x radius / ftprad"
        rows.append((f"wavelength on track {profile.azimuth_track}", length, "µm", source))
    shift, way = profile.shift_um_per_deg, profile.flange_mm_per_deg
    rows.append(("head by a degree of body", _words(shift), "µm/°", "derived: pitch / step angle"))
    rows.append(("flange by a degree of body", _words(way), "mm/°", "derived: radius x pi / 180"))
    return rows


def _words(value: Any) -> str:
    if isinstance(value, tuple):
        return ", ".join(_words(each) for each in value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.7g}" if isinstance(value, float | int) else str(value)


def _columns(rows: Sequence[tuple[str, ...]]) -> list[str]:
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    return [
        "  ".join(f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]
