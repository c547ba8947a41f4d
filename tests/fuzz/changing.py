"""Changes input: bytes by hypothesis, where nothing guides; a tree of JSON at any of its places."""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from copy import deepcopy
from typing import Any

import hypothesis.strategies as st

from tests.fuzz.corpora import WORDS
from tests.fuzz.targets import LONGEST

_ODD: tuple[Any, ...] = (
    *(None, True, False, "", "x", "\0", "−1", "\ud800", "a\nb", "x" * 300, [], {}, [[]], [None]),
    *(0, 1, -1, 2**31, 2**53, 2**63, 10**400, 0.0, -0.0, 0.5, 1e-320, 1e308, -1e308, 1e400),
)
_MOST_CHANGES = 4


@st.composite
def changed(draw: st.DrawFn, corpus: Sequence[bytes]) -> bytes:
    """Draw one of the corpus with some changes."""
    data = bytearray(draw(st.sampled_from(corpus)))
    pieces = st.one_of(st.binary(max_size=8), st.sampled_from(WORDS), st.just(b"9" * 5000))
    places, lengths = st.integers(0, LONGEST), st.sampled_from((0, 0, 1, 1, 2, 4, 16, 256, LONGEST))
    for place, length, put in draw(
        st.lists(st.tuples(places, lengths, pieces), min_size=1, max_size=_MOST_CHANGES)
    ):
        at = place % (len(data) + 1)
        data[at : at + length] = put
    return bytes(data[: 2 * LONGEST])


def changed_tree(data: bytes, seed: int) -> bytes | None:
    """Return JSON with another value, or none, or one more, at some of its places.

    None where it is no JSON, or too much of it.
    """
    rng = random.Random(seed)
    try:
        top = [json.loads(data)]
        for _ in range(rng.randint(1, _MOST_CHANGES)):
            _change(top, rng)
        return json.dumps(top[0]).encode()
    except (ValueError, OverflowError, RecursionError):
        return None


def _change(top: list[Any], rng: random.Random) -> None:
    within, key = rng.choice(_places(top))
    ways = [
        lambda: deepcopy(rng.choice(_ODD)),
        lambda: _nearby(within[key], rng),
        lambda: _any(top, rng),
    ]
    way = rng.randrange(6)
    if way < 3 or within is top:
        within[key] = ways[way % 3]()
    elif way == 3:
        del within[key]
    elif isinstance(within, list):
        within.insert(key, deepcopy(within[key]))
    else:
        within[rng.choice(("x", "", f"{key}_"))] = deepcopy(within[key])


def _places(tree: Any) -> list[tuple[Any, Any]]:
    """Return each place of a tree: what it lies within, and under which key."""
    found: list[tuple[Any, Any]] = []
    left = [tree]
    while left:
        within = left.pop()
        pairs = within.items() if isinstance(within, dict) else enumerate(within)
        for key, each in pairs:
            found.append((within, key))
            if isinstance(each, dict | list):
                left.append(each)
    return found


def _nearby(value: Any, rng: random.Random) -> Any:
    """Return a value of the same type."""
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        return deepcopy(rng.choice(_ODD))
    if isinstance(value, str):
        at = rng.randint(0, len(value))
        return value[:at] + rng.choice(("", "é", "<", "\x1b", "9", "\u202e", " ")) + value[at + 1 :]
    return value * rng.choice((-1, 0, 10, 1e9, 1e300)) if rng.random() < 0.5 else value + 1


def _any(top: list[Any], rng: random.Random) -> Any:
    """Return a copy of what stands somewhere else in the tree."""
    within, key = rng.choice(_places(top))
    return deepcopy(within[key])
