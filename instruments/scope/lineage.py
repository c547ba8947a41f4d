"""What a family's file takes over from another one, and where each of its keys comes from.

A file with ``like`` says only what differs: tables are laid over one another key by key, and the
keys in ``without`` are left out. Its table ``sources`` tells, by a key's path or the beginning of
one, where that comes from; what is taken over keeps the source that it had there.
"""

from __future__ import annotations

from collections.abc import Mapping
from fnmatch import fnmatchcase
from typing import Any

from instruments.checked_toml import CheckedTable, OneOf, TextLine, TextLines, TomlKind

Tree = dict[str, Any]
_OWN = ("like", "without", "sources", "title", "match", "unproved")
"""Keys that are each file's own."""
UNTOLD = "not told"


def grown(
    kind: TomlKind, where: str, name: str, trees: Mapping[str, Tree]
) -> tuple[Tree, dict[str, str]]:
    """Return all that a family's file says, with what it takes over, and the source of each key.

    Parameters
    ----------
    kind, where : TomlKind, str
        The kind of file and its name, for messages.
    name : str
        The family.
    trees : mapping of str to dict
        What every file says, by the family's name.

    Raises
    ------
    Exception
        The file kind's own, when it is like one that is not there, like itself, or leaves out
        what is not there.
    """
    own = trees[name]
    top = CheckedTable(kind, where, own)
    told = _sources(top)
    mine = {key: value for key, value in own.items() if key not in _OWN}
    head = {key: own[key] for key in ("title", "match", "unproved") if key in own}
    sources = {path: _source(path, told) for path in paths(mine)}
    if "like" not in own:
        return {**mine, **head}, sources
    others = [other for other in trees if other != name and "like" not in trees[other]]
    base_name = top.value("like", OneOf.of(*others))
    base, base_sources = grown(kind, where, base_name, trees)
    for key in top.value("without", TextLines(), ()):
        if not _dropped(base, key):
            raise top.refusal("without", f"keys of {base_name}", key)
    base = {key: value for key, value in base.items() if key not in _OWN}
    whole = _laid_over(base, mine)
    both = base_sources | sources
    return {**whole, **head}, {path: both[path] for path in paths(whole)}


def _sources(top: CheckedTable) -> dict[str, str]:
    if "sources" not in top:
        return {}
    table = top.table("sources")
    return table.finish({path: table.value(path, TextLine()) for path in table})


def _source(path: str, told: Mapping[str, str]) -> str:
    """Return the source of a key by the pattern that spells out most of its path."""
    fits = [pattern for pattern in told if fnmatchcase(path, pattern)]
    return told[max(fits, key=len)] if fits else UNTOLD


def paths(tree: Tree, head: str = "") -> list[str]:
    """Return the path of every value of a tree, with dots between; a list is one value."""
    found: list[str] = []
    for key, value in tree.items():
        found += paths(value, f"{head}{key}.") if isinstance(value, dict) else [f"{head}{key}"]
    return found


def _laid_over(base: Tree, mine: Tree) -> Tree:
    whole = dict(base)
    for key, value in mine.items():
        below = whole.get(key)
        if isinstance(value, dict) and isinstance(below, dict):
            whole[key] = _laid_over(below, value)
        else:
            whole[key] = value
    return whole


def _dropped(tree: Tree, path: str) -> bool:
    """Leave a key out, in a copy of each table above it; tell whether it was there."""
    key, _, rest = path.partition(".")
    if key not in tree:
        return False
    if not rest:
        del tree[key]
        return True
    if not isinstance(tree[key], dict):
        return False
    tree[key] = dict(tree[key])
    return _dropped(tree[key], rest)
