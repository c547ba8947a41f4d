"""Readings of the hunt as they were when they were last looked at, to tell what a change moves.

``python -m tests.hunt.recorded`` makes them anew and prints which have moved and how: whoever
changes the analysis reads that, and keeps the file with the change. Whether a reading is right is
for the judge to say; here it is the same as before, to a thousandth of its own u.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.hunt.campaign import CLASSES, Key, drawn
from tests.hunt.further import FURTHER
from tests.hunt.live import FURTHER_LIVE, LIVE
from tests.hunt.mixed import MixedClass
from tests.hunt.through import measured, watched
from tests.recorded.keeping import is_same_snr

FILE = Path(__file__).parents[2] / "fixtures" / "readings" / "hunt.json"
SEED = 1911
LIVE_EACH = 10
"""So many classes of the live needle for one that is recorded: they take the longest."""
_LOOKS_EACH = 20
"""So many looks at the needle for one that is recorded."""
_OF_U, _REL = 1e-3, 1e-4
_LEAST = 1e-9

APART = (*(each.name for each in FURTHER), *(f"live:{each.name}" for each in FURTHER_LIVE))
"""What was written after the analysis is drawn and judged, and not recorded."""
NAMES = (
    *(name for name in CLASSES if name not in {*LIVE, *APART, MixedClass.name}),
    *[name for name in LIVE if name not in APART][::LIVE_EACH],
    *(f"{MixedClass().name}/{number}" for number in range(40)),
)
"""What is recorded: one draw of a class, and many of those with several spoilers."""


def reading_of(name: str) -> Any:
    """Return what is read of a class's draw, as JSON has it."""
    of, _, number = name.partition("/")
    _, capture = drawn(Key(of, SEED, int(number or 0)))
    if of not in LIVE:
        return measured(capture)
    return [
        {"time_s": look.time_s, "at_s": look.at_s, "reading": look.reading}
        for look in list(watched(capture))[::_LOOKS_EACH]
    ]


def kept() -> dict[str, Any]:
    """Return all readings as they were recorded."""
    return json.loads(FILE.read_text(encoding="utf-8")) if FILE.exists() else {}


def moved(old: Any, new: Any, place: str = "") -> Iterator[str]:
    """Yield in words what differs between two readings."""
    if isinstance(old, dict) and isinstance(new, dict) and old.keys() == new.keys():
        if {"value", "u"} <= old.keys():
            away, u = abs(new["value"] - old["value"]), old["u"]
            same_u = math.isclose(u, new["u"], rel_tol=_OF_U, abs_tol=_LEAST)
            if away > _OF_U * u + _LEAST or not same_u:
                values = (old["value"], u, new["value"], new["u"])
                yield "{}: {:.6g} ± {:.3g} -> {:.6g} ± {:.3g}".format(place, *values)
            return
        for key in old:
            yield from moved(old[key], new[key], f"{place} {key}".strip())
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for number, (one, other) in enumerate(zip(old, new, strict=True)):
            yield from moved(one, other, f"{place} {number}")
    elif isinstance(old, float) and isinstance(new, float):
        of_noise = place.endswith("snr_db") and is_same_snr(old, new)
        if not of_noise and not math.isclose(old, new, rel_tol=_REL, abs_tol=_LEAST):
            yield f"{place}: {old:.6g} -> {new:.6g}"
    elif old != new:
        yield f"{place}: {old} -> {new}"


def main() -> int:
    """Record anew, and print what has moved."""
    before, now = kept(), {}
    for name in NAMES:
        now[name] = json.loads(json.dumps(reading_of(name)))
        for words in moved(before.get(name), now[name]) if name in before else ("is new",):
            print(f"{name}: {words}")
    FILE.parent.mkdir(exist_ok=True)
    lines = ",\n".join(f"{json.dumps(name)}: {json.dumps(now[name])}" for name in NAMES)
    FILE.write_text(f"{{\n{lines}\n}}\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
