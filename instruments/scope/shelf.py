"""The families that there are, the program's and the user's, and which of them fits a scope.

A user's file goes before ours of the same name. One that cannot be used is passed over, and said,
unless it is asked for by its name: a slip in one file is no reason to read no scope.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from importlib import resources
from itertools import takewhile
from pathlib import Path

from platformdirs import user_config_path

from instruments.scope.family import FAMILY_FILE, Family, FamilyError, family_of, matches
from instruments.scope.lineage import Tree
from instruments.source import SourceUnavailable

_SUFFIX = ".toml"
_WITHOUT_COMMANDS: Mapping[str, str] = {
    "OWON*": "OWON",
    "MICSIG*": "Micsig",
    "UNI-T*": "UNI-T",
    "YOKOGAWA*": "Yokogawa",
    "*HANTEK*": "Hantek",
    "UNDEFINED,DSO2*": "Hantek",
    "AGILENT TECHNOLOGIES,DSO1???A,*": "Agilent DSO1000",
}
"""Scopes that are known and that no family was written for, by patterns of ``*IDN?``."""


def user_family_folder() -> Path:
    """Return the folder in which a user's own families are looked for."""
    return user_config_path("evenlobe", appauthor=False) / "scopes"


def without_commands(identity: str) -> str:
    """Return whose scope an instrument is, where no family was written for those; else ""."""
    return next((n for pattern, n in _WITHOUT_COMMANDS.items() if matches(pattern, identity)), "")


class FamilyShelf(Mapping[str, Family]):
    """Families by name.

    Parameters
    ----------
    families : mapping of str to Family
        Those that can be used.
    faults : mapping of str to str
        What is wrong with the user's other files, by the names of their families.
    """

    def __init__(
        self, families: Mapping[str, Family], faults: Mapping[str, str] | None = None
    ) -> None:
        self._families = families
        self.faults = faults or {}

    def __getitem__(self, name: str) -> Family:
        return self._families[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._families)

    def __len__(self) -> int:
        return len(self._families)

    @property
    def notes(self) -> tuple[str, ...]:
        """A sentence for each file that is passed over."""
        return tuple(f"{fault}; until then it is passed over." for fault in self.faults.values())

    def choose(self, identity: str, named: str | None) -> Family:
        """Return the family of an instrument, by name where one is given.

        Raises
        ------
        SourceUnavailable
            When no family fits, or the one that is asked for cannot be used; the message offers
            the nearest and how to take it, or says that there is none for these scopes.
        """
        if named is not None:
            return self._named(named)
        fits = {name: family.fit(identity) for name, family in self.items()}
        best = max(fits.values(), default=0)
        found = [name for name, fit in fits.items() if fit == best and fit]
        if len(found) == 1:
            return self[found[0]]
        if found:
            raise SourceUnavailable(
                f"scope “{identity}”: the families {' and '.join(found)} fit alike; "
                f"add family={found[0]} or family={found[1]} to the address"
            )
        if scopes := without_commands(identity):
            raise SourceUnavailable(
                f"scope “{identity}”: evenlobe has no commands for {scopes} scopes; save a "
                f"capture as CSV and open that, or add a TOML file to “{user_family_folder()}”"
                f"{self._faulty()}"
            )
        near = self.nearest(identity)
        raise SourceUnavailable(
            f"scope “{identity}”: no family of commands fits it; the nearest is {near.name} "
            f"({near.title}): try it with check-scope, and take it with family={near.name} "
            f"in the address{self._faulty()}"
        )

    def _faulty(self) -> str:
        """Return what is wrong with the user's files, to follow a sentence."""
        return "".join(f"; {fault}" for fault in self.faults.values())

    def _named(self, named: str) -> Family:
        for name, fault in self.faults.items():
            if name.upper() == named.upper():
                raise FamilyError(fault)
        for name, family in self.items():
            if name.upper() == named.upper():
                return family
        raise SourceUnavailable(
            f"scope family “{named}” is not known; use one of {', '.join(self)}"
        )

    def nearest(self, identity: str) -> Family:
        """Return the family whose patterns have the longest beginning in common with `identity`."""

        def shared(pattern: str) -> int:
            both = zip(pattern.upper(), identity.upper(), strict=False)
            return sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], both))

        return max(self.values(), key=lambda family: max(map(shared, family.match)))


def load_families(folder: Path | None = None) -> FamilyShelf:
    """Read every family, the user's own before the program's of the same name.

    Parameters
    ----------
    folder : Path, optional
        Where the user's lie.
    """
    shipped = resources.files("instruments.scope") / "families"
    trees = {
        item.name.removesuffix(_SUFFIX): FAMILY_FILE.read(item, item.name)
        for item in shipped.iterdir()
        if item.name.endswith(_SUFFIX)
    }
    families = {name: family_of(name, trees) for name in trees}
    own, faults = _read_own(folder or user_family_folder())
    for name in own:
        try:
            families[name] = family_of(name, {**trees, **own})
        except FamilyError as fault:
            faults[name] = str(fault)
    return FamilyShelf(dict(sorted(families.items())), faults)


def _read_own(folder: Path) -> tuple[dict[str, Tree], dict[str, str]]:
    """Return what the user's files say, and what is wrong with those that cannot be read."""
    trees: dict[str, Tree] = {}
    faults: dict[str, str] = {}
    try:
        files = sorted(folder.iterdir()) if folder.is_dir() else []
    except OSError as fault:
        return {}, {"": f"the scopes' folder “{folder}” cannot be read: {fault.strerror}"}
    for file in files:
        if file.name.endswith(_SUFFIX):
            name = file.name.removesuffix(_SUFFIX)
            try:
                trees[name] = FAMILY_FILE.read(file, file.name)
            except FamilyError as fault:
                faults[name] = str(fault)
    return trees, faults
