"""The headers that a family knows, and how they are taught: queries, commands, settings."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, ClassVar, TypeVar

from instruments.virtual.scope.scpi import (
    Answer,
    Entry,
    ScpiError,
    Tree,
    choice,
    flag,
    number,
    short_form,
)

_Value = TypeVar("_Value")


class Vocabulary:
    """Headers, and where in them a message stands."""

    lenient: ClassVar[bool] = False
    """Whether a header may start from the root without a colon."""

    def __init__(self) -> None:
        self.tree = Tree()
        self.path: list[str] = []
        """Where a header without a colon goes on from."""

    def show(self, value: float) -> str:
        """Return a number as the family writes it."""
        return f"{value:.6E}"

    def found(self, header: str) -> tuple[Entry, list[int]]:
        """Return what a header does and its numbers.

        Raises
        ------
        ScpiError
            When it is not known.
        """
        path = header.lstrip(":").split(":")
        if header.startswith(("*", ":")):
            places = [path]
        else:
            places = [self.path + path] + ([path] if self.lenient else [])
        for place in places:
            found = self.tree.find(place)
            if found is not None:
                if not header.startswith("*"):
                    self.path = place[:-1]
                return found
        raise ScpiError(-113)

    def ask(self, pattern: str, query: Callable[..., Answer | None], parameters: int = 0) -> None:
        """Teach a query with as many parameters at the most."""

        def handler(numbers: list[int], given: list[str]) -> Answer | None:
            if len(given) > parameters:
                raise ScpiError(-108)
            return query(*numbers, *given)

        self.tree.add(pattern, query=handler)

    def do(self, pattern: str, command: Callable[..., object], parameters: int = 0) -> None:
        """Teach a command with just as many parameters."""

        def handler(numbers: list[int], given: list[str]) -> None:
            if len(given) != parameters:
                raise ScpiError(-109 if len(given) < parameters else -108)
            command(*numbers, *given)

        self.tree.add(pattern, command=handler)

    def numeric(
        self,
        pattern: str,
        get: Callable[..., float],
        put: Callable[..., object],
        show: Callable[[float], str] | None = None,
    ) -> None:
        """Teach a setting that is a number."""
        shown = show or self.show
        self.ask(pattern, lambda *at: shown(get(*at)))
        self.do(pattern, lambda *at: put(*at[:-1], number(at[-1])), 1)

    def switch(
        self,
        pattern: str,
        get: Callable[..., bool],
        put: Callable[..., object],
        words: tuple[str, str] = ("0", "1"),
    ) -> None:
        """Teach a setting that is on or off."""
        self.ask(pattern, lambda *at: words[bool(get(*at))])
        self.do(pattern, lambda *at: put(*at[:-1], flag(at[-1])), 1)

    def choose(
        self,
        pattern: str,
        words: Mapping[str, _Value],
        get: Callable[..., _Value],
        put: Callable[..., object],
    ) -> None:
        """Teach a setting that is one of some words; the first for a value is its answer."""
        self.ask(pattern, lambda *at: word_for(words, get(*at)))
        self.do(pattern, lambda *at: put(*at[:-1], words[choice(at[-1], tuple(words))]), 1)


def word_for(words: Mapping[str, _Value], value: _Value) -> str:
    """Return the short form of the first word that stands for `value`."""
    return next(short_form(word) for word, meant in words.items() if meant == value)


def attribute(
    of: Callable[..., object], name: str
) -> tuple[Callable[..., Any], Callable[..., None]]:
    """Return two functions, that get and that set an attribute of what `of` returns."""

    def put(*at: object) -> None:
        setattr(of(*at[:-1]), name, at[-1])

    return lambda *at: getattr(of(*at), name), put
