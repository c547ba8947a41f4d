"""Units and key words as the headings of scope exports have them."""

from __future__ import annotations

import math
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
NOT_VOLTS = frozenset(
    re.findall(
        r"\S+",
        "a ma ua amp amps ampere adc count counts code codes lsb raw db dbv dbm w div %",
    )
)
"""Units that say that a column is not in volts."""

_HERTZ = {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}
_PER_SECOND = {"": 1.0, "k": 1e3, "m": 1e6, "g": 1e9}
RATES = _HERTZ | {
    prefix + word: size
    for prefix, size in _PER_SECOND.items()
    for word in ("sa/s", "s/s", "sps", "samples/s", "pts/s")
}

_TIME_WORDS = frozenset(["time", "t", "x", "axis", "base", "stamp", "timestamp", "elapsed", "in"])
_COUNTER_WORDS = frozenset(
    re.findall(r"\w+", "sample samples point points no nr number n index row sequence seq x axis")
)
_SHORTEST_S, _LONGEST_S = 1e-12, 1e6
"""Sample intervals that can be meant."""

_NUMBER = r"[+-]?(?:\d+(?:[.,]\d*)?|\.\d+)(?:e[+-]?\d+)?"
_BETWEEN = r"""["'\s,;:=]*"""
_INTERVAL_KEY = (
    r"(?:sampl(?:e|ing)[\s_]*(?:interval|period|time)|"
    r"(?<!y)(?<!y[\s_-])(?<!vertical[\s_-])(?<!voltage[\s_-])(?:x[\s_-]*)?incr(?:ement)?"
    r"|delta[\s_-]*t(?:ime)?|\bdt|xinc|time[\s_]*per[\s_]*(?:sample|point)|horizontal[\s_]*interval)"
)
_RATE_KEY = r"(?:sampl(?:e|ing)[\s_]*(?:rate|frequency|freq))"
_POINTS_KEY = r"(?:record[\s_]*length|number[\s_]*of[\s_]*(?:points|samples))"


def _stated(key: str) -> re.Pattern[str]:
    unit = r"(?:\s*[(\[](?P<before>[^)\]]*)[)\]])?"
    after = r"""(?:["'\s,;]*(?P<after>[a-zµμ]+(?:/s)?))?"""
    return re.compile(rf"{key}\b{unit}{_BETWEEN}(?P<number>{_NUMBER}){after}", re.IGNORECASE)


_INTERVAL = _stated(_INTERVAL_KEY)
_RATE = _stated(_RATE_KEY)
_POINTS = _stated(_POINTS_KEY)
_INTERVAL_HEADING = re.compile(_INTERVAL_KEY + r"\W*", re.IGNORECASE)


def unit_in(title: str) -> str | None:
    """Return the unit that a heading such as ``CH1 (mV)`` or ``time_ms`` ends in, if any.

    In lower case. One of :data:`NOT_VOLTS` must stand in brackets: ``Channel A`` is a name.
    """
    text = title.strip().lower()
    bracketed: list[str] = re.findall(r"[(\[]\s*([^)\]]*?)\s*[)\]]", text)
    for word in reversed(bracketed):
        if _is_known(word):
            return word
    last = re.split(r"[\s_/,]+", text)[-1]
    return last if last in SECONDS or last in VOLTS else None


def unit_of(cell: str) -> str | None:
    """Return the unit that a cell of a unit row is, in lower case, None when it is none."""
    word = cell.strip().strip("()[]").strip().lower()
    return word if _is_known(word) else None


def is_unit(cell: str) -> bool:
    """Tell whether a cell may stand in a row of units: a unit, nothing, or a count."""
    return unit_of(cell) is not None or cell.strip().lower() in ("sequence", "")


def _is_known(word: str) -> bool:
    return word in SECONDS or word in VOLTS or word in NOT_VOLTS


def names_time(title: str) -> bool:
    """Tell whether a heading says that its column is time."""
    words = _words(title)
    return bool(words) and all(word in _TIME_WORDS or word in SECONDS for word in words)


def names_counter(title: str) -> bool:
    """Tell whether a heading says that its column counts the samples."""
    words = _words(title)
    return all(word in _COUNTER_WORDS for word in words)


def stated_interval_s(line: str) -> float | None:
    """Return the sample interval that a header line states, in seconds, if it does."""
    found = _INTERVAL.search(line)
    if found:
        return _sane(_value(found, SECONDS))
    found = _RATE.search(line)
    if found:
        rate = _value(found, RATES)
        return _sane(1 / rate) if rate > 0 else None
    return None


def _sane(interval_s: float) -> float | None:
    return interval_s if _SHORTEST_S <= interval_s <= _LONGEST_S else None


def heads_interval(cell: str) -> bool:
    """Tell whether a heading says that the sample interval stands beneath it."""
    return _INTERVAL_HEADING.fullmatch(cell.strip()) is not None


def stated_points(line: str) -> int | None:
    """Return the number of samples that a header line states, if it does."""
    found = _POINTS.search(line)
    points = _value(found, {}) if found else math.nan
    return int(points) if 0 < points < math.inf else None


def _value(found: re.Match[str], units: dict[str, float]) -> float:
    number = float(found["number"].replace(",", "."))
    for unit in (found["before"], found["after"]):
        word = (unit or "").strip().lower()
        if word in units:
            return number * units[word]
    return number


def _words(title: str) -> list[str]:
    return re.findall(r"[a-zµμ]+", title.lower())
