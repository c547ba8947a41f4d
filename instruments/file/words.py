"""The words in a text capture's headings: units of time and volts, names of times and counters."""

from __future__ import annotations

import re

_PREFIXES = {"": 1.0, "k": 1e3, "m": 1e-3, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "n": 1e-9, "p": 1e-12}
_LONG = {"": 1.0, "kilo": 1e3, "milli": 1e-3, "micro": 1e-6, "nano": 1e-9, "pico": 1e-12}


def _units(short: tuple[str, ...], long: tuple[str, ...]) -> dict[str, float]:
    units = {prefix + word: size for prefix, size in _PREFIXES.items() for word in short}
    for word in long:
        units |= {prefix + word: size for prefix, size in _LONG.items()}
        units |= {prefix + word + "s": size for prefix, size in _LONG.items()}
    return units


SECONDS = _units(("s", "sec"), ("second",))
VOLTS = _units(("v",), ("volt",))
HERTZ = {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9, "hertz": 1.0}
"""As a column's unit it says that the file holds a spectrum."""
OTHER_QUANTITIES = frozenset(
    re.findall(r"\S+", "a ma ua µa na amp amps ampere amperes db dbv dbm dbmv dbuv w ohm")
)
"""Units that say that a column is no voltage, and not proportional to one."""
NOT_VOLTS = OTHER_QUANTITIES | frozenset(
    re.findall(r"\S+", "adc count counts code codes lsb raw div %")
)
"""Units that say that a column is not in volts."""
_PER_SECOND = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}
RATES = HERTZ | {
    prefix + word: size
    for prefix, size in _PER_SECOND.items()
    for word in ("sa/s", "s/s", "sps", "samples/s", "pts/s", "sa", "")
}

_TIME_WORDS = frozenset(
    ["time", "t", "x", "axis", "base", "stamp", "timestamp", "elapsed", "in", "value"]
)
_COUNTER_WORDS = frozenset(
    re.findall(
        r"\w+", "sample samples point points no nr number n index row sequence seq x axis count"
    )
)
_FREQUENCY = re.compile(r"\W*(?:freq|fréq)\w*\b.*", re.IGNORECASE)
_CHANNEL_UNIT = re.compile(r"(?:ch|chan|channel)\s*\d+\s*([mµu]?[va])", re.IGNORECASE)
_EXTREMES = re.compile(
    r"(?P<base>.*?)[\s_-]*\(?(?P<what>peak[\s_-]*detect|min(?:imum)?|max(?:imum)?)\)?"
    r"\s*(?:[(\[][^)\]]*[)\]])?\s*",
    re.IGNORECASE,
)


def unit_in(title: str) -> str | None:
    """Return the unit that a heading such as ``CH1 (mV)`` or ``time_ms`` ends in, if any.

    In lower case. One of :data:`NOT_VOLTS` must stand in brackets: ``Channel A`` is a name.
    """
    text = title.strip().lower()
    bracketed: list[str] = re.findall(r"[(\[]\s*([^)\]]*?)\s*[)\]]", text)
    for word in reversed(bracketed):
        if _is_known(word):
            return word
    joined = _CHANNEL_UNIT.fullmatch(text)
    if joined:
        return joined[1]
    last = re.split(r"[\s_/,]+", text)[-1]
    return last if last in SECONDS or last in VOLTS or last in HERTZ else None


def unit_of(cell: str) -> str | None:
    """Return the unit that a cell of a unit row is, in lower case, None when it is none."""
    word = cell.strip().strip("()[]").strip().lower()
    return word if _is_known(word) else None


def is_unit(cell: str) -> bool:
    """Tell whether a cell may stand in a row of units: a unit, nothing, or a count."""
    return unit_of(cell) is not None or cell.strip().lower() in ("sequence", "")


def _is_known(word: str) -> bool:
    return word in SECONDS or word in VOLTS or word in NOT_VOLTS or word in HERTZ


def names_time(title: str) -> bool:
    """Tell whether a heading says that its column is time."""
    words = _words(title)
    return bool(words) and all(word in _TIME_WORDS or word in SECONDS for word in words)


def names_counter(title: str) -> bool:
    """Tell whether a heading says that its column counts the samples."""
    return all(word in _COUNTER_WORDS for word in _words(title))


def names_frequency(title: str) -> bool:
    """Tell whether a heading says that its column is a spectrum's frequency."""
    return _FREQUENCY.fullmatch(title) is not None


def base_of_extremes(title: str) -> str | None:
    """Return the channel of whose extremes a heading such as ``CH1 Max`` tells, None if none."""
    found = _EXTREMES.fullmatch(title.strip())
    return found["base"].strip() if found and found["base"].strip() else None


def channel_in(title: str) -> str:
    """Return a heading in lower case, without a unit in brackets or the word for extremes."""
    return (
        (base_of_extremes(title) or re.sub(r"\s*[(\[][^)\]]*[)\]]\s*$", "", title)).strip().lower()
    )


def _words(title: str) -> list[str]:
    return re.findall(r"[a-zµμ]+", title.lower())
