"""Find the files of profiles and alignment disks, and part them into words and entries.

A file holds ``title``, perhaps ``base`` (the file whose entries it takes over where it has none of
its own), of a drive ``disk``, and tables of entries; each entry is a table with ``source``.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from platformdirs import user_config_path

from instruments.checked_toml import TextLine, TomlKind, ValueKind, shown, shown_key


class ProfileError(Exception):
    """A profile is not there, or says something it may not; one sentence names key and remedy."""


PROFILE = TomlKind("profile", ProfileError)
"""The kind of file: what its faults are called, and how they are raised."""


@dataclass(frozen=True, slots=True)
class Spec:
    """One value of a profile.

    Attributes
    ----------
    key : str
        Table and entry, as ``spindle.speed_rpm``.
    kind : ValueKind
        What it may be.
    unit : str
        Its unit; empty for a count, a fraction or a word.
    part : str
        Where in the entry it stands: ``value``, or what belongs to one, as its uncertainty.
    optional : bool
        Whether it may be left out.
    on_disk : bool
        Whether it is the alignment disk's and not the drive's.
    """

    key: str
    kind: ValueKind
    unit: str = ""
    part: str = "value"
    optional: bool = False
    on_disk: bool = False

    @property
    def path(self) -> str:
        """The key as messages and tables name it."""
        return self.key if self.part == "value" else f"{self.key}.{self.part}"

    @property
    def allowed(self) -> str:
        """Words for what the value may be, with its unit."""
        return f"{self.kind.allowed} {self.unit}".rstrip()


_SUFFIX = ".toml"
_LINE = TextLine()


@dataclass(frozen=True, slots=True)
class ProfileShelf:
    """One kind of file: what it is called, its folder, its words and its entries."""

    what: str
    folder: str
    words: frozenset[str]
    keys: Collection[str]


@dataclass(slots=True)
class Sheet:
    """What a file and its bases say.

    Attributes
    ----------
    where : str
        The file.
    words : dict of str to str
        Title and names of other files, each where it was stated last.
    entries : dict of str to (dict, str)
        Content of each entry, by key, and the file that states it.
    """

    where: str
    words: dict[str, str] = field(default_factory=dict[str, str])
    entries: dict[str, tuple[dict[str, Any], str]] = field(
        default_factory=dict[str, tuple[dict[str, Any], str]]
    )

    def place_of(self, key: str) -> str:
        """Return the file that states an entry, this one where none does."""
        return self.entries[key][1] if key in self.entries else self.where


def user_profile_folder() -> Path:
    """Return the folder in which a user's own profiles are looked for."""
    return user_config_path("evenlobe", appauthor=False) / "profiles"


def names_on(shelf: ProfileShelf) -> tuple[str, ...]:
    """Return the names of all files of a kind, the program's and the user's."""
    found = {path.name for folder in _folders(shelf) for path in _files_in(folder)}
    return tuple(sorted(name.removesuffix(_SUFFIX) for name in found))


def read_sheet(shelf: ProfileShelf, name: str, asked_by: str = "") -> Sheet:
    """Read a file and its bases; a user's own goes before the program's of the same name.

    Raises
    ------
    ProfileError
        When there is none of that name, or its form is not that of such a file.
    """
    seen: list[str] = []
    sheet: Sheet | None = None
    wanted: str | None = name
    while wanted is not None:
        path = _find(shelf, wanted, seen, asked_by)
        seen.append(str(path))
        found = _sheet_of(shelf, PROFILE.read(path, str(path)), str(path))
        asked_by, wanted = f"profile “{path}”: ", found.words.pop("base", None)
        if sheet is None:
            sheet = found
        else:
            sheet.words = found.words | sheet.words
            sheet.entries = found.entries | sheet.entries
    assert sheet is not None
    return sheet


def _folders(shelf: ProfileShelf) -> Iterator[Traversable]:
    """Yield the folders to look in, the user's first."""
    yield user_profile_folder() / shelf.folder
    yield resources.files("app.profiles") / shelf.folder


def why_unread(shelf: ProfileShelf) -> str:
    """Return why the user's own folder cannot be read, empty where it can: it is passed over."""
    folder = user_profile_folder() / shelf.folder
    try:
        _listed(folder)
    except OSError as fault:
        return f"profiles in “{folder}” cannot be read: {fault.strerror}"
    return ""


def _files_in(folder: Traversable) -> list[Traversable]:
    try:
        return _listed(folder)
    except OSError:
        # The program's own are of use all the same.
        return []


def _listed(folder: Traversable) -> list[Traversable]:
    if not folder.is_dir():
        return []
    return [
        path
        for path in folder.iterdir()
        if path.name.endswith(_SUFFIX) and path.name.isprintable() and path.is_file()
    ]


def _find(shelf: ProfileShelf, name: str, seen: list[str], asked_by: str) -> Traversable:
    """Return the file of a name that is not one of those seen.

    So a user's own file may have the program's of the same name as its base.
    """
    files = [path for folder in _folders(shelf) for path in _files_in(folder)]
    named = [path for path in files if path.name == name + _SUFFIX]
    for path in named:
        if str(path) not in seen:
            return path
    if named:
        raise ProfileError(f"{asked_by}base “{name}” leads back to itself; name another")
    known = ", ".join(names_on(shelf))
    raise ProfileError(
        f"{asked_by}{shelf.what} “{shown_key(name)}” is not known; choose one of {known}"
    )


def _sheet_of(shelf: ProfileShelf, tree: dict[str, Any], where: str) -> Sheet:
    """Part one file into words and entries, refusing what is neither."""
    sheet = Sheet(where)
    for key, value in tree.items():
        if key in shelf.words:
            if _LINE.read(value) is None:
                raise PROFILE.refusal(where, key, value, _LINE.allowed)
            sheet.words[key] = value
        elif any(known.startswith(key + ".") for known in shelf.keys):
            if not isinstance(value, dict):
                raise PROFILE.refusal(where, key, value, f"a table, begun with [{key}]")
            for name, entry in value.items():
                sheet.entries[f"{key}.{name}"] = (entry, where)
        else:
            raise PROFILE.unknown(where, shown(key))
    if "title" not in sheet.words:
        raise PROFILE.missing(where, "title")
    for key, (entry, _) in sheet.entries.items():
        _check_entry(shelf, key, entry, where)
    return sheet


def _check_entry(shelf: ProfileShelf, key: str, entry: object, where: str) -> None:
    if key not in shelf.keys:
        raise PROFILE.unknown(where, shown(key))
    if not isinstance(entry, dict):
        raise PROFILE.refusal(where, key, entry, "a table: { value = …, source = … }")
    if "source" not in entry:
        raise PROFILE.missing(where, f"{key}.source", "say whence the value is")
    if _LINE.read(entry["source"]) is None:
        raise PROFILE.refusal(where, f"{key}.source", entry["source"], _LINE.allowed)
