"""Program messages: units, headers in short and long form, parameters, the error queue.

Grammar after SCPI-1999, volume 1, chapters 6 and 7, and IEEE 488.2, chapter 7.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

Buffer = bytes | memoryview
Answer = str | Sequence[Buffer]
"""Text, or a block as the parts that it is sent in."""
Handler = Callable[[list[int], list[str]], Answer | None]
"""Called with a header's numbers and the unit's parameters."""

NO_ERROR = (0, "No error")
_TEXTS = {
    -102: "Syntax error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -104: "Data type error",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
}
"""SCPI-1999, volume 2, chapter 21."""
_NODE = re.compile(r"\[?:?([A-Za-z_]\w*)(#?)\]?")
_HEADER = re.compile(r"(\*[A-Za-z]+|:?[A-Za-z]\w*(?::[A-Za-z]\w*)*)(\?)?(?:\s+(.*))?", re.DOTALL)
_NUMBERED = re.compile(r"(.*?[A-Z_])(\d*)")
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:E[+-]?\d+)?)\s*([A-Z%/]*)", re.IGNORECASE)
_PREFIXES = {"": 1.0, "K": 1e3, "MA": 1e6, "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12}


class ScpiError(Exception):
    """A message unit that was not carried out.

    Parameters
    ----------
    code : int
        Of SCPI-1999.
    """

    def __init__(self, code: int) -> None:
        super().__init__(_TEXTS[code])
        self.code = code


class ErrorQueue:
    """First in, first out; the last place of a full queue says that there were more.

    Parameters
    ----------
    size : int
        Places.
    """

    def __init__(self, size: int = 10) -> None:
        self._size = size
        self._codes: deque[int] = deque()

    def __len__(self) -> int:
        return len(self._codes)

    def push(self, code: int) -> None:
        """Put an error at the end."""
        if len(self._codes) < self._size:
            self._codes.append(code)
        else:
            self._codes[-1] = -350

    def pop(self) -> tuple[int, str]:
        """Return and remove the oldest, ``(0, "No error")`` when there is none."""
        if not self._codes:
            return NO_ERROR
        code = self._codes.popleft()
        return code, _TEXTS[code]

    def fill(self) -> None:
        """Fill the queue until it overflows."""
        for _ in range(self._size + 1):
            self.push(-113)

    def clear(self) -> None:
        """Forget all."""
        self._codes.clear()


@dataclass(slots=True)
class MessageUnit:
    """One unit of a program message."""

    header: str
    query: bool
    parameters: list[str]


@dataclass(slots=True)
class HeaderEntry:
    """What a header does, as a query and as a command; and how a guide writes it."""

    pattern: str
    query: Handler | None = None
    command: Handler | None = None


@dataclass(slots=True)
class _Node:
    children: dict[str, _Node] = field(default_factory=dict)
    numbered: dict[str, _Node] = field(default_factory=dict)
    entry: HeaderEntry | None = None


class Tree:
    """The headers that an instrument knows."""

    def __init__(self) -> None:
        self._root = _Node()

    def add(
        self, pattern: str, *, query: Handler | None = None, command: Handler | None = None
    ) -> None:
        """Teach a header.

        Parameters
        ----------
        pattern : str
            As programming guides write it, ``:CHANnel#:SCALe`` or ``:TIMebase[:MAIN]:SCALe``:
            capitals are the short form, ``#`` stands for a number, brackets may be left out.
        """
        for node in self._ends(pattern):
            node.entry = node.entry or HeaderEntry(pattern)
            node.entry.query = query or node.entry.query
            node.entry.command = command or node.entry.command

    def remove(self, pattern: str) -> None:
        """Forget a header."""
        for node in self._ends(pattern):
            node.entry = None

    def find(self, path: Sequence[str]) -> tuple[HeaderEntry, list[int]] | None:
        """Return what a header does and its numbers (1 where left out), None when not known."""
        node, numbers = self._root, []
        for name in (part.upper() for part in path):
            if name in node.children:
                node = node.children[name]
                continue
            match = _NUMBERED.fullmatch(name)
            if match is None or match[1] not in node.numbered:
                return None
            numbers.append(int(match[2] or 1))
            node = node.numbered[match[1]]
        return (node.entry, numbers) if node.entry else None

    def _ends(self, pattern: str) -> list[_Node]:
        if pattern.startswith("*"):
            return [self._root.children.setdefault(pattern.upper(), _Node())]
        ends = [self._root]
        for match in _NODE.finditer(pattern):
            grown = []
            for node in ends:
                family = node.numbered if match[2] else node.children
                short = "".join(letter for letter in match[1] if not letter.islower())
                child = family.get(match[1].upper()) or family.get(short.upper()) or _Node()
                family[short.upper()] = family[match[1].upper()] = child
                grown.append(child)
            ends = grown + ends if match[0].startswith("[") else grown
        return ends


def split(text: str, mark: str) -> Iterator[str]:
    """Split `text` at `mark` outside of quotes; parts are stripped, empty ones left out."""
    part, quote = "", ""
    for letter in text:
        if quote:
            quote = "" if letter == quote else quote
        elif letter in "\"'":
            quote = letter
        elif letter == mark:
            if part.strip():
                yield part.strip()
            part = ""
            continue
        part += letter
    if part.strip():
        yield part.strip()


def parse_unit(text: str) -> MessageUnit:
    """Read one unit.

    Raises
    ------
    ScpiError
        When it has no header.
    """
    match = _HEADER.fullmatch(text)
    if match is None:
        raise ScpiError(-102)
    return MessageUnit(match[1], bool(match[2]), list(split(match[3] or "", ",")))


def number(text: str) -> float:
    """Read a number with or without a unit (``50MV``, ``2E-3``, ``500us``).

    Raises
    ------
    ScpiError
        When it is none.
    """
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise ScpiError(-104)
    prefix = match[2].upper()
    for unit in ("SA/S", "PTS", "PT", "SA", "HZ", "V", "S", "X", "%"):
        prefix = prefix.removesuffix(unit)
    if prefix not in _PREFIXES:
        raise ScpiError(-104)
    return float(match[1]) * _PREFIXES[prefix]


def flag(text: str) -> bool:
    """Read an on or off.

    Raises
    ------
    ScpiError
        When it is neither.
    """
    word = text.upper()
    if word in ("ON", "OFF"):
        return word == "ON"
    return number(text) != 0


def choice(text: str, words: Sequence[str]) -> str:
    """Return which of `words` (short form in capitals) a parameter is.

    Raises
    ------
    ScpiError
        When it is none of them.
    """
    given = text.upper()
    for word in words:
        if given in (short_form(word), word.upper()):
            return word
    raise ScpiError(-224)


def short_form(word: str) -> str:
    """Return the short form of a word: its capitals, digits and signs."""
    return "".join(letter for letter in word if not letter.islower())
