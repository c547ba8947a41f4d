"""The program's version and the time, as records state them."""

from __future__ import annotations

from datetime import datetime
from functools import cache
from importlib import metadata


# The library looks through its folders each time, and keeps what it found of each that has changed.
@cache
def version() -> str:
    """Return the installed version."""
    return metadata.version("evenlobe")


def now() -> str:
    """Return the time as ISO 8601 with the offset of this place."""
    return datetime.now().astimezone().isoformat(timespec="milliseconds")
