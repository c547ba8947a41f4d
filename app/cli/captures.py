"""What each file of a folder was taken for as a capture, or why it was not."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from app.book.store import shown
from instruments.file.source import FileSource
from instruments.source import SourceError, SourceUnavailable

_HEADINGS = ("file", "taken for", "rate", "frames", "columns", "roles")
_APART = "  "
_WIDEST = 160


def captures_as_text(folder: Path) -> Iterator[str]:
    """Yield the lines of a table with a row for each file; what to know of one stands beneath it.

    Raises
    ------
    SourceUnavailable
        When the folder cannot be listed.
    """
    try:
        paths = sorted(path for path in folder.iterdir() if not path.is_dir())
    except OSError as fault:
        raise SourceUnavailable(
            f"folder “{folder}” cannot be listed ({fault.strerror}); name a folder"
        ) from None
    rows = [_row(path) for path in paths]
    whole = [_HEADINGS, *(cells for cells, _ in rows if len(cells) == len(_HEADINGS))]
    widths = [max(len(cells[i]) for cells in whole) for i in range(len(_HEADINGS))]
    widths[0] = max(widths[0], *(len(cells[0]) for cells, _ in rows), 0)
    for cells, notes in ((_HEADINGS, ()), *rows):
        padded = (f"{cell:<{width}}" for cell, width in zip(cells, widths, strict=False))
        yield _APART.join(padded).rstrip()
        yield from (f"{_APART * 2}{note}" for note in notes)
    taken = len(whole) - 1
    yield f"{taken} of {len(paths)} files can be measured"


def _row(path: Path) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return a file's cells, and its notes; one that is not taken has its name and the reason."""
    source, name = FileSource(str(path)), shown(path.name)
    try:
        source.open()
        info = source.info
        frames = "" if info.length_frames is None else str(info.length_frames)
        rate = f"{info.sample_rate_hz:.9g} Hz"
        roles = f"{','.join(info.roles)} ({info.roles_from})"
        return (name, source.kind, rate, frames, _cell(source.columns), roles), tuple(
            map(_in_a_line, info.notes)
        )
    except SourceError as fault:
        reason = str(fault).removeprefix(f"capture “{path}”").removeprefix(":").strip()
        return (name, f"not read: {_in_a_line(reason)}"), ()
    finally:
        source.close()


def _in_a_line(text: str) -> str:
    """Return what a file says in one line: a second would look like a row of the table."""
    return " ".join(text.split())


def _cell(text: str) -> str:
    line = _in_a_line(text)
    return line if len(line) <= _WIDEST else line[: _WIDEST - 1] + "…"
