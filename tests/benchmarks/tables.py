"""Plain tables for terminals and for FIGURES.md."""

from __future__ import annotations

from collections.abc import Sequence


def table(title: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return a table in Markdown, its columns aligned."""
    lines = [list(heads), *[list(row) for row in rows]]
    widths = [max(len(line[column]) for line in lines) for column in range(len(heads))]
    text = [
        "| "
        + " | ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True))
        + " |"
        for line in lines
    ]
    rule = "|" + "|".join("-" * (width + 2) for width in widths) + "|"
    return "\n".join([f"### {title}", "", text[0], rule, *text[1:], ""])
