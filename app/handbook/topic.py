"""A topic of the handbook, and how a terminal shows it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass

_WIDTH = 96
_FIRST_WIDTH = 34


@dataclass(frozen=True, slots=True)
class TopicTable:
    """Rows of what and what of it, under a head."""

    head: tuple[str, str]
    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Topic:
    """One page: the word it is asked for by, its title, and paragraphs and tables."""

    name: str
    title: str
    body: tuple[str | TopicTable, ...]


def as_text(topic: Topic) -> str:
    """Return a topic as lines of a terminal."""
    blocks = [topic.title]
    for block in topic.body:
        blocks.append(_rows_as_text(block) if isinstance(block, TopicTable) else _wrapped(block))
    return "\n\n".join(blocks)


def cells(topic: Topic) -> Iterator[str]:
    """Yield each paragraph of a topic, and each row of its tables in one line."""
    for block in topic.body:
        if isinstance(block, TopicTable):
            yield from (": ".join(row) for row in block.rows)
        else:
            yield block


def _wrapped(words: str) -> str:
    return "\n".join(textwrap.wrap(words, _WIDTH))


def _rows_as_text(table: TopicTable) -> str:
    lines: list[str] = []
    for first, second in (table.head, *table.rows):
        left = textwrap.wrap(first, _FIRST_WIDTH)
        right = textwrap.wrap(second, _WIDTH - _FIRST_WIDTH - 2)
        for number in range(max(len(left), len(right))):
            one, other = (cell[number] if number < len(cell) else "" for cell in (left, right))
            lines.append(f"{one:<{_FIRST_WIDTH}}  {other}".rstrip())
        lines.append("")
    return "\n".join(lines[:-1])
