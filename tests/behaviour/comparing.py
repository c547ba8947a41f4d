"""Two recordings side by side: each file that differs, and where."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from PySide6.QtGui import QImage

_MOST_LINES = 24
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?")
_PIECE = re.compile(r"(?<=[,>{}])(?=[ <\"\[{])")
_RATIO, _LEAST = 0.3, 0.05
_LEVELS, _MOVED_SHARE = 16, 0.0005


def differences(old: Path, new: Path) -> Iterator[str]:
    """Yield a few lines for each file that is not the same in both folders.

    What is called ``.near`` was taken from something that moves: its numbers may differ by a part
    of themselves, a picture in a few of its pixels. Any picture's may differ by a few of 255
    levels, for a needle comes to rest within a fraction of a pixel.
    """
    names = [
        {path.relative_to(folder) for path in folder.rglob("*") if path.is_file()}
        for folder in (old, new)
    ]
    for name in sorted(names[0] | names[1]):
        if name not in names[1]:
            yield f"{name}: missing"
        elif name not in names[0]:
            yield f"{name}: new"
        elif not _alike(old / name, new / name):
            yield f"{name}: differs\n" + _shown((old / name), (new / name))


def _alike(old: Path, new: Path) -> bool:
    if (before := old.read_bytes()) == (after := new.read_bytes()):
        return True
    moves = ".near" in old.suffixes
    if old.suffix == ".png":
        return _share_changed(old, new) <= (_MOVED_SHARE if moves else 0.0)
    return moves and _near(before.decode(), after.decode())


def _near(old: str, new: str) -> bool:
    if _NUMBER.split(old) != _NUMBER.split(new):
        return False
    pairs = zip(_NUMBER.findall(old), _NUMBER.findall(new), strict=True)
    return all(
        abs(float(a) - float(b)) <= _RATIO * max(abs(float(a)), abs(float(b))) + _LEAST
        for a, b in pairs
    )


def _share_changed(old: Path, new: Path) -> float:
    """Return the share of a picture's bytes that differ by more than a needle's last creep does."""
    pictures = [
        QImage(str(path)).convertToFormat(QImage.Format.Format_RGB888) for path in (old, new)
    ]
    if pictures[0].size() != pictures[1].size():
        return 1.0
    before, after = (np.frombuffer(each.constBits(), np.uint8).astype(int) for each in pictures)
    return float((np.abs(before - after) > _LEVELS).mean())


def _shown(old: Path, new: Path) -> str:
    """Return a short diff, long lines broken where a new item begins."""
    if old.suffix == ".png":
        return "  look at both pictures"
    pieces = [
        [piece for line in path.read_text("utf-8").splitlines() for piece in _PIECE.split(line)]
        for path in (old, new)
    ]
    found = [*difflib.unified_diff(*pieces, lineterm="", n=1)][2:]
    rest = len(found) - _MOST_LINES
    more = [f"… {rest} more lines"] if rest > 0 else []
    return "\n".join(f"  {line}" for line in [*found[:_MOST_LINES], *more])
