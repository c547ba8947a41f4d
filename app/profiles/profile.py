"""A profile: one drive class with its alignment disk and limits, read from TOML and checked."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from platformdirs import user_config_path

_SUFFIX = ".toml"


class ProfileError(Exception):
    """A profile is not there, or says something it may not; one sentence names key and mend."""


@dataclass(frozen=True, slots=True)
class Profile:
    """One drive class with its alignment disk and limits.

    Attributes
    ----------
    name, title : str
        The file's name without ending; words for a list.
    speed_rpm, carrier_hz : float
        Nominal spindle speed and carrier of the alignment track.
    track_pitch_um, alignment_track, alignment_radius_mm : float, int, float
        Radial pitch; number and radius of the track that carries the pattern.
    geometry : str or None
        Recording of the alignment disk, None when it is to be told from the signal.
    pairs : int or None
        Pairs of lobes a turn, None when to be told from the signal.
    scale_um, scale_u_um : float
        Offset for unit balance, and its standard uncertainty.
    calibrated : bool
        Whether the scale comes from a certificate or a calibration.
    first_lobe_outward : bool
        True when the first lobe after the index is the taller with the head outward.
    set_limit, check_limit : float
        Limits of the lobes' difference when setting and when checking.
    sources : tuple of (str, str)
        Where each value comes from, by key.
    """

    name: str
    title: str
    speed_rpm: float
    carrier_hz: float
    track_pitch_um: float
    alignment_track: int
    alignment_radius_mm: float
    geometry: str | None
    pairs: int | None
    scale_um: float
    scale_u_um: float
    calibrated: bool
    first_lobe_outward: bool
    set_limit: float
    check_limit: float
    sources: tuple[tuple[str, str], ...]


class _Reader:
    """Takes values out of one parsed file and remembers where each comes from."""

    def __init__(self, name: str, tree: dict[str, Any]) -> None:
        self._name = name
        self._tree = tree
        self._known: set[str] = set()
        self.sources: list[tuple[str, str]] = []

    def number(self, key: str, low: float, high: float) -> float:
        entry = self._entry(key)
        if not isinstance(entry, dict) or "value" not in entry or "source" not in entry:
            raise self.error(key, entry, "a table with value and source")
        value = entry["value"]
        fits = isinstance(value, int | float) and not isinstance(value, bool)
        if not fits or not low <= value <= high:
            raise self.error(key, value, f"a number from {low:g} to {high:g}")
        if not isinstance(entry["source"], str) or not entry["source"].strip():
            raise self.error(f"{key}.source", entry["source"], "words that say where it comes from")
        self.sources.append((key, entry["source"]))
        return float(value)

    def whole(self, key: str, low: int, high: int) -> int:
        value = self.number(key, low, high)
        if value != int(value):
            raise self.error(key, value, f"a whole number from {low} to {high}")
        return int(value)

    def choice(self, key: str, allowed: tuple[Any, ...]) -> Any:
        value = self._entry(key)
        if type(value) not in {type(item) for item in allowed} or value not in allowed:
            words = " or ".join(str(item).lower() for item in allowed)
            raise self.error(key, value, words)
        return value

    def text(self, key: str) -> str:
        value = self._entry(key)
        if not isinstance(value, str) or not value.strip():
            raise self.error(key, value, "words")
        return value

    def has(self, key: str) -> bool:
        return self._find(key) is not None

    def check_nothing_unknown(self) -> None:
        """Refuse keys nobody asked for: most often a misspelling."""
        for key in _leaves(self._tree):
            if not any(key == known or key.startswith(known + ".") for known in self._known):
                raise ProfileError(f"profile “{self._name}”: “{key}” is not a key; take it out")

    def error(self, key: str, value: object, allowed: str) -> ProfileError:
        return ProfileError(f"profile “{self._name}”: {key} is {value!r}; it must be {allowed}")

    def _entry(self, key: str) -> Any:
        self._known.add(key)
        value = self._find(key)
        if value is None:
            raise ProfileError(f"profile “{self._name}”: {key} is missing; add it")
        return value

    def _find(self, key: str) -> Any:
        node: Any = self._tree
        for part in key.split("."):
            node = node.get(part) if isinstance(node, dict) else None
        return node


def _leaves(tree: dict[str, Any], before: str = "") -> list[str]:
    found: list[str] = []
    for key, value in tree.items():
        nested = isinstance(value, dict)
        found += _leaves(value, f"{before}{key}.") if nested else [before + key]
    return found


def user_profile_folder() -> Path:
    """Return the folder in which a user's own profiles are looked for."""
    return user_config_path("evenlobe", appauthor=False) / "profiles"


def profile_names() -> tuple[str, ...]:
    """Return the names of all profiles, the program's and the user's."""
    shipped = resources.files("app.profiles").iterdir()
    folder = user_profile_folder()
    own = folder.iterdir() if folder.is_dir() else ()
    files = [path.name for path in (*shipped, *own)]
    return tuple(sorted({name.removesuffix(_SUFFIX) for name in files if name.endswith(_SUFFIX)}))


def load_profile(name: str) -> Profile:
    """Read one profile; a user's own goes before the program's of the same name.

    Raises
    ------
    ProfileError
        When there is none of that name, or its content may not stand.
    """
    file_name = name + _SUFFIX
    own = user_profile_folder() / file_name
    if name not in profile_names():
        known = ", ".join(profile_names())
        raise ProfileError(f"profile “{name}” is not known; choose one of {known}")
    where = own if own.is_file() else resources.files("app.profiles") / file_name
    try:
        tree = tomllib.loads(where.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as fault:
        raise ProfileError(f"profile “{name}” cannot be read: {fault}") from None
    return _build(name, _Reader(name, tree))


def _build(name: str, read: _Reader) -> Profile:
    has_pairs, has_geometry = read.has("disk.pairs"), read.has("disk.geometry")
    geometries = ("two-band", "boundary", "alternating")
    profile = Profile(
        name=name,
        title=read.text("title"),
        speed_rpm=read.number("spindle.speed_rpm", 250, 400),
        carrier_hz=read.number("recording.carrier_hz", 20e3, 1e6),
        track_pitch_um=read.number("track.pitch_um", 50, 1000),
        alignment_track=read.whole("track.alignment", 0, 255),
        alignment_radius_mm=read.number("track.radius_mm", 15, 100),
        geometry=read.choice("disk.geometry", geometries) if has_geometry else None,
        pairs=read.whole("disk.pairs", 1, 18) if has_pairs else None,
        scale_um=read.number("disk.scale_um", 1, 2000),
        scale_u_um=read.number("disk.scale_u_um", 0, 1000),
        calibrated=read.choice("disk.calibrated", (True, False)),
        first_lobe_outward=read.choice("disk.first_lobe", ("outward", "inward")) == "outward",
        set_limit=read.number("limits.set", 0.01, 0.9),
        check_limit=read.number("limits.check", 0.01, 0.9),
        sources=tuple(read.sources),
    )
    if profile.set_limit > profile.check_limit:
        raise read.error("limits.set", profile.set_limit, "no larger than limits.check")
    read.check_nothing_unknown()
    return profile
