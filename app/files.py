"""Files that appear under their name once they are whole, and leave nothing behind otherwise."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path

PRIVATE_FOLDER = 0o700
"""Who may use a folder that is made for a book or what is made of it: its maker."""
_NAME_LENGTH = 40
_UID_LENGTH = 8


def why_unreadable(path: Path, most_bytes: int) -> str:
    """Return why a file is not read as a whole, empty where it is.

    Raises
    ------
    OSError
        When that cannot be looked up.
    """
    found = path.stat()
    if not stat.S_ISREG(found.st_mode):
        # A device or pipe may have no end.
        return "it is no file"
    return f"it is larger than {most_bytes >> 20} MiB" if found.st_size > most_bytes else ""


def stem_for(identity: str, number: int, uid: str = "") -> str:
    """Return a file name for a job's report, without its ending: letters, digits and hyphens.

    With a job's `uid` no job of another book has it.
    """
    plain = "".join(sign if sign.isalnum() else "-" for sign in identity[:_NAME_LENGTH])
    name = "-".join(part for part in plain.split("-") if part) or "drive"
    return f"{name}-job-{number}{uid and '-'}{uid[:_UID_LENGTH]}"


def check_replaceable(path: Path) -> None:
    """Refuse a name that a new file cannot take, because what has it is none.

    Raises
    ------
    OSError
        When it is a device, pipe or folder, or that cannot be looked up.
    """
    if path.exists() and not path.is_file():
        raise OSError(errno.EEXIST, "what has that name is no file", str(path))


@contextlib.contextmanager
def atomic_write(path: Path) -> Iterator[Path]:
    """Yield a temporary file beside `path`, which takes its place when all went well.

    Raises
    ------
    OSError
        When it cannot be written, or not be put there: a device, pipe or folder is not replaced.
    """
    check_replaceable(path)
    handle, name = tempfile.mkstemp(prefix=".evenlobe-", dir=path.parent)
    os.close(handle)
    try:
        yield Path(name)
        with open(name, "rb") as written:
            os.fsync(written.fileno())
        # What is written names people: it is its maker's alone, unless a file that it replaces
        # was for others too.
        with contextlib.suppress(FileNotFoundError):
            os.chmod(name, path.stat().st_mode & 0o777)
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
        for each in reversed(made):
            each.mkdir(PRIVATE_FOLDER, exist_ok=True)
        yield
    except BaseException:
        for each in made:
            # What has something in it by now stays.
            with contextlib.suppress(OSError):
                each.rmdir()
        raise
