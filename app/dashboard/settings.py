"""What the window remembers from one run to the next, in one JSON file.

It holds sources, unit, colours, hand, motion, a learned key, language and size, and is the user's
alone (mode 0600). One that is damaged or of a newer version is left as it is: that is said, and
nothing is remembered in this run. No program to start is remembered.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

from platformdirs import user_config_path

from app.dashboard.style import Colours
from app.dashboard.text import Unit, translate
from app.dashboard.translation import SYSTEM
from app.files import atomic_write
from app.live.opening import Opening

_VERSION = 1
_MOST_RECENT = 8
_MOST_BYTES = 100_000
_LONGEST = 2000
"""Characters of a text: more is nobody's address."""
_SIDES_PX = (100, 20_000)


@dataclass(frozen=True, slots=True)
class Choice:
    """A source, with the drive class and the alignment disk that go with it.

    Attributes
    ----------
    opening : Opening
        The source.
    profile : str
        Name of the drive class; empty for the one in force.
    disk : str
        Name of the alignment disk; empty for the class's own.
    """

    opening: Opening
    profile: str = ""
    disk: str = ""


def settings_path() -> Path:
    """Return where the user's own settings are kept."""
    return user_config_path("evenlobe", appauthor=False) / "window.json"


class Settings:
    """What is remembered; nothing beyond this run where `path` is None."""

    def __init__(self, path: Path | None = None) -> None:
        self._path = path
        self._tell: Callable[[], str] | None = None
        self._unwritten: Callable[[], object] = lambda: None
        self.recent: tuple[Choice, ...] = ()
        self._untried: tuple[Choice, ...] | None = None
        self.unit = Unit.UM
        self.colours = Colours.SYSTEM
        self.left_handed = False
        self.reduced_motion = False
        self.going_on_key = 0  # Qt's number of it; 0 where none is learned
        self.language = SYSTEM
        self.size_px: tuple[int, int] | None = None
        if path is not None:
            self._load(path)

    @property
    def fault(self) -> str:
        """Why nothing is remembered, in one sentence; empty while all is well.

        It is said in the language that is spoken by then: which one that is, the file tells.
        """
        return "" if self._tell is None else self._tell()

    def when_unwritten(self, do: Callable[[], object]) -> None:
        """Call something as soon as what was to be remembered cannot be written."""
        self._unwritten = do

    def remember(self, choice: Choice) -> None:
        """Put a choice in front of the others; the oldest is forgotten."""
        lasting = choice.opening.lasting
        if lasting is None:
            return
        choice = replace(choice, opening=lasting)
        others = tuple(each for each in self.recent if each.opening != lasting)
        self._untried = self.recent if others == self.recent else None
        self.recent = (choice, *others)[:_MOST_RECENT]
        self.save()

    def take_tried(self, *, opens: bool) -> None:
        """Go on remembering what was remembered last; or forget it, if it is new and fails.

        Else a few slips of the hand would put away what can be opened.
        """
        before, self._untried = self._untried, None
        if before is not None and not opens:
            self.recent = before
            self.save()

    def save(self) -> None:
        """Write the file, unless that would lose what it holds now."""
        if self._path is None or self._tell is not None:
            return
        tree = {
            "version": _VERSION,
            "recent": [_as_tree(each) for each in self.recent],
            "unit": self.unit.value,
            "colours": self.colours.value,
            "left_handed": self.left_handed,
            "reduced_motion": self.reduced_motion,
            "going_on_key": self.going_on_key,
            "language": self.language,
            "size_px": self.size_px,
        }
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            with atomic_write(self._path) as written:
                written.write_text(json.dumps(tree, indent=1), encoding="utf-8")
        except OSError as fault:
            why = fault.strerror or fault
            self._tell = lambda: translate(
                "settings", "settings “{0}” cannot be written: {1}"
            ).format(self._path, why)
            self._unwritten()

    def _load(self, path: Path) -> None:
        try:
            if not path.exists():
                return
            self._take(json.loads(_text_of(path)))
        except OSError as fault:
            why = str(fault.strerror or fault)
            self._pass_over(lambda: why)
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError):
            self._pass_over(
                lambda: translate("settings", "it is damaged; delete it to begin afresh")
            )

    def _take(self, tree: dict[str, Any]) -> None:
        if int(tree["version"]) > _VERSION:
            newer = "it is from a newer version of Evenlobe: use that, or delete it to begin afresh"
            self._pass_over(lambda: translate("settings", newer))
            return
        listed = tuple(_choice_of(each) for each in tree["recent"][:_MOST_RECENT])
        recent = tuple(each for each in listed if each.opening.lasting is not None)
        unit, size = Unit(tree["unit"]), tree["size_px"]
        # A file of before has none of these.
        left_handed = bool(tree.get("left_handed", False))
        reduced_motion = bool(tree.get("reduced_motion", False))
        going_on_key = int(tree.get("going_on_key", 0))
        colours = Colours(tree.get("colours", Colours.SYSTEM))
        language = _text(tree.get("language", SYSTEM))
        if size is not None:
            low, high = _SIDES_PX
            wide, tall = (min(max(int(side), low), high) for side in size)
            size = wide, tall
        self.recent, self.unit, self.size_px, self.colours = recent, unit, size, colours
        self.language, self.left_handed = language, left_handed
        self.reduced_motion, self.going_on_key = reduced_motion, going_on_key

    def _pass_over(self, why: Callable[[], str]) -> None:
        self._tell = lambda: translate(
            "settings", "settings “{0}”: {1}; nothing is remembered in this run"
        ).format(self._path, why())


def _text_of(path: Path) -> str:
    with path.open("rb") as file:
        content = file.read(_MOST_BYTES + 1)
    if len(content) > _MOST_BYTES:
        raise ValueError("too long")
    return content.decode("utf-8")


def _as_tree(choice: Choice) -> dict[str, str]:
    return {**asdict(choice.opening), "profile": choice.profile, "disk": choice.disk}


def _choice_of(tree: dict[str, Any]) -> Choice:
    texts = {key: _text(tree[key]) for key in ("profile", "disk")}
    # A line that steps was not yet kept in older files.
    tree = {"steps": ""} | tree
    opening = Opening(**{each.name: _text(tree[each.name]) for each in fields(Opening)})
    return Choice(opening, **texts)


def _text(value: Any) -> str:
    if not isinstance(value, str) or len(value) > _LONGEST or not value.isprintable():
        raise ValueError("no text")
    return value
