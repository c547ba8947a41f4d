"""What is recorded as text, a file for each net and a part for each subject, and what has moved.

Words are the same or they have moved; a number may differ by what another processor's rounding
makes of it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from difflib import unified_diff
from functools import cache
from itertools import islice
from pathlib import Path

from tests.recorded.telling import HUNDRED_THOUSANDTHS

FOLDER = Path(__file__).parents[2] / "fixtures" / "recorded"
_REL, _ABS, _PARTS = 1e-4, 1e-8, 2.5e-5
_NUMBER = re.compile(r"(?<![\w.])[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?(?![\w])")
_PLACE = re.compile(r"@[-\d,]*")
"""Whole pixels, which another version's rounding may make one more."""
_SNR = re.compile(r"(?<=snr_db=)[-+]?\d+(?:\.\d+)?")
_SINGLE = 1e-6
"""A sum of powers in single precision, added up in another order, differs by some parts in ten
million: of a carrier without noise that is all there is."""
_HEAD = "== "


@dataclass(frozen=True)
class Net:
    """Subjects of one kind by name, each a function that tells in lines what is found of it."""

    name: str
    subjects: Mapping[str, Callable[[], list[str]]]

    @property
    def file(self) -> Path:
        """Where it is recorded."""
        return FOLDER / f"{self.name}.txt"

    def now(self, subject: str) -> list[str]:
        """Return the lines of a subject as they are now."""
        return [part for line in self.subjects[subject]() for part in line.split("\n")]

    def record(self, subjects: Mapping[str, list[str]]) -> None:
        """Write the record anew."""
        lines = [each for name, of in subjects.items() for each in (f"{_HEAD}{name}", *of)]
        self.file.parent.mkdir(exist_ok=True)
        self.file.write_text("\n".join(lines) + "\n", encoding="utf-8")

    def kept(self) -> dict[str, list[str]]:
        """Return what was recorded, by subject."""
        return _read(self.file)


@cache
def _read(file: Path) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    if file.exists():
        for line in file.read_text(encoding="utf-8").removesuffix("\n").split("\n"):
            if line.startswith(_HEAD):
                lines = found.setdefault(line.removeprefix(_HEAD), [])
            else:
                lines.append(line)
    return found


def moved(before: list[str], now: list[str]) -> Iterator[str]:
    """Yield each line that is another than before, as it was and as it is."""
    if len(before) != len(now):
        lines = unified_diff(before, now, n=0, lineterm="")
        yield from (f"{line[0]} {line[1:]}" for line in islice(lines, 2, None) if line[0] != "@")
        return
    for old, new in zip(before, now, strict=True):
        if not is_same(old, new):
            yield f"- {old}"
            yield f"+ {new}"


def is_same(old: str, new: str) -> bool:
    """Tell whether lines have the same words, and numbers that are the same but for rounding."""
    if old == new:
        return True
    places = zip(_PLACE.findall(old), _PLACE.findall(new), strict=False)
    if not all(_is_beside(*each) for each in places):
        return False
    noises = zip(_SNR.findall(old), _SNR.findall(new), strict=False)
    if not all(is_same_snr(float(one), float(other)) for one, other in noises):
        return False
    old, new = (_SNR.sub("@", _PLACE.sub("@", line)) for line in (old, new))
    if _NUMBER.sub("#", old) != _NUMBER.sub("#", new):
        return False
    return all(map(_is_near, _NUMBER.findall(old), _NUMBER.findall(new)))


def is_same_snr(one_db: float, other_db: float) -> bool:
    """Tell whether noise is the same part of a carrier's power but for rounding."""
    return abs(10.0 ** (-one_db / 10.0) - 10.0 ** (-other_db / 10.0)) < _SINGLE


def _is_beside(old: str, new: str) -> bool:
    ways = ([int(each) for each in place[1:].split(",") if each] for place in (old, new))
    one, other = ways
    return len(one) == len(other) and all(
        abs(before - now) <= 1 for before, now in zip(one, other, strict=True)
    )


def _is_near(old: str, new: str) -> bool:
    if old == new:
        return True
    in_parts = old.endswith(HUNDRED_THOUSANDTHS) and "." not in old
    least = _PARTS if in_parts else _ABS
    return math.isclose(float(old), float(new), rel_tol=_REL, abs_tol=least)
