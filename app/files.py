"""Files that appear under their name once they are whole, and leave nothing behind otherwise."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

_NAME_LENGTH = 40


def stem_for(identity: str, number: int) -> str:
    """Return a file name for a job's report, without its ending: letters, digits and hyphens."""
    plain = "".join(sign if sign.isalnum() else "-" for sign in identity[:_NAME_LENGTH])
    name = "-".join(part for part in plain.split("-") if part) or "drive"
    return f"{name}-job-{number}"


@contextlib.contextmanager
def atomic_write(path: Path) -> Iterator[Path]:
    """Yield a temporary file beside `path`, which takes its place when all went well.

    Raises
    ------
    OSError
        When it cannot be written, or not be put there.
    """
    handle, name = tempfile.mkstemp(prefix=".evenlobe-", suffix=path.suffix, dir=path.parent)
    os.close(handle)
    try:
        yield Path(name)
        with open(name, "rb") as written:
            os.fsync(written.fileno())
        # A temporary file is its maker's alone; a report is for whom the folder is for.
        mask = os.umask(0)
        os.umask(mask)
        os.chmod(name, 0o666 & ~mask)
        os.replace(name, path)
    finally:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(name)


@contextlib.contextmanager
def folder_for(path: Path) -> Iterator[None]:
    """Make the folder that a new file is for; it goes again where the file does not come about.

    Raises
    ------
    OSError
        When it cannot be made.
    """
    made = [each for each in path.parents if not each.exists()]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield
    except BaseException:
        for each in made:
            # What has something in it by now stays.
            with contextlib.suppress(OSError):
                each.rmdir()
        raise
