"""The job book's tables, version by version, and the checksum that each of their rows has."""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from app.book.model import BookError

APPLICATION_ID = 0x45564C42
"""What marks an SQLite file as a job book: the letters EVLB."""

_FIRST = """
CREATE TABLE drives (
    id INTEGER PRIMARY KEY,
    identity TEXT NOT NULL UNIQUE,
    profile TEXT NOT NULL,
    note TEXT NOT NULL DEFAULT '',
    added_at TEXT NOT NULL
) STRICT;
CREATE TABLE jobs (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    uid TEXT NOT NULL UNIQUE,
    drive INTEGER NOT NULL REFERENCES drives (id),
    opened_at TEXT NOT NULL,
    source TEXT NOT NULL,
    virtual INTEGER NOT NULL,
    software TEXT NOT NULL,
    profile TEXT NOT NULL,
    profile_values TEXT NOT NULL,
    conditions TEXT NOT NULL,
    as_found TEXT NOT NULL DEFAULT '{}',
    as_left TEXT NOT NULL DEFAULT '{}',
    nudges INTEGER NOT NULL DEFAULT 0,
    closed_at TEXT NOT NULL DEFAULT '',
    closing_reason TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE TABLE takings (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    job INTEGER NOT NULL REFERENCES jobs (number),
    body TEXT NOT NULL,
    turns BLOB,
    envelope_v BLOB
) STRICT;
CREATE TABLE outcomes (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    job INTEGER NOT NULL REFERENCES jobs (number),
    body TEXT NOT NULL
) STRICT;
CREATE INDEX jobs_of_a_drive ON jobs (drive, number);
CREATE INDEX takings_of_a_job ON takings (job, id);
CREATE INDEX outcomes_of_a_job ON outcomes (job, id);
"""
_SECOND = """
CREATE TRIGGER takings_stand BEFORE UPDATE ON takings
BEGIN SELECT RAISE(ABORT, 'what was measured stands'); END;
CREATE TRIGGER takings_stay BEFORE DELETE ON takings
BEGIN SELECT RAISE(ABORT, 'what was measured stays'); END;
CREATE TRIGGER outcomes_stand BEFORE UPDATE ON outcomes
BEGIN SELECT RAISE(ABORT, 'what a check came to stands'); END;
CREATE TRIGGER outcomes_stay BEFORE DELETE ON outcomes
BEGIN SELECT RAISE(ABORT, 'what a check came to stays'); END;
CREATE TRIGGER closed_jobs_stand BEFORE UPDATE ON jobs WHEN OLD.closed_at <> ''
BEGIN SELECT RAISE(ABORT, 'a closed job stands'); END;
CREATE TRIGGER jobs_stay BEFORE DELETE ON jobs
BEGIN SELECT RAISE(ABORT, 'a job stays'); END;
"""
_THIRD = """
CREATE TRIGGER closed_jobs_take_nothing BEFORE INSERT ON takings
WHEN (SELECT closed_at FROM jobs WHERE number = NEW.job) <> ''
BEGIN SELECT RAISE(ABORT, 'a closed job stands'); END;
CREATE TRIGGER closed_jobs_come_to_nothing_else BEFORE INSERT ON outcomes
WHEN (SELECT closed_at FROM jobs WHERE number = NEW.job) <> ''
BEGIN SELECT RAISE(ABORT, 'a closed job stands'); END;
"""
_FOURTH = """
ALTER TABLE jobs ADD COLUMN standing TEXT NOT NULL DEFAULT '';
"""
_FIFTH = """
DROP TRIGGER closed_jobs_stand;
UPDATE jobs SET virtual = 1 WHERE virtual = 0 AND EXISTS (
    SELECT 1 FROM takings WHERE job = number AND json_extract(body, '$.virtual')
);
CREATE TRIGGER closed_jobs_stand BEFORE UPDATE ON jobs WHEN OLD.closed_at <> ''
BEGIN SELECT RAISE(ABORT, 'a closed job stands'); END;
"""


def _sum(*columns: str) -> str:
    # As bytes: a text that is damaged may be none.
    return f"checksum({', '.join(f'CAST({each} AS BLOB)' for each in columns)})"


_OF_A_DRIVE = ("identity", "profile", "note", "added_at")
_OF_A_JOB_THEN = (
    *("uid", "drive", "opened_at", "source", "virtual", "software", "profile", "profile_values"),
    *("conditions", "as_found", "as_left", "nudges", "closed_at", "closing_reason", "standing"),
    "kept",
)
_OF_A_TAKING = ("job", "body", "turns", "envelope_v")
_OF_AN_OUTCOME = ("job", "body")
# A column that is added later belongs into the checksum of a later version, and not into this.
_SIXTH = f"""
DROP TRIGGER takings_stand;
DROP TRIGGER outcomes_stand;
DROP TRIGGER closed_jobs_stand;
ALTER TABLE drives ADD COLUMN checksum INTEGER NOT NULL DEFAULT 0;
ALTER TABLE jobs ADD COLUMN kept INTEGER NOT NULL DEFAULT 0;
ALTER TABLE jobs ADD COLUMN checksum INTEGER NOT NULL DEFAULT 0;
ALTER TABLE takings ADD COLUMN checksum INTEGER NOT NULL DEFAULT 0;
ALTER TABLE outcomes ADD COLUMN checksum INTEGER NOT NULL DEFAULT 0;
UPDATE jobs SET kept = (SELECT count(*) FROM takings WHERE job = number)
    + (SELECT count(*) FROM outcomes WHERE job = number);
UPDATE drives SET checksum = {_sum(*_OF_A_DRIVE)};
UPDATE jobs SET checksum = {_sum(*_OF_A_JOB_THEN)};
UPDATE takings SET checksum = {_sum(*_OF_A_TAKING)};
UPDATE outcomes SET checksum = {_sum(*_OF_AN_OUTCOME)};
CREATE TRIGGER takings_stand BEFORE UPDATE ON takings
BEGIN SELECT RAISE(ABORT, 'what was measured stands'); END;
CREATE TRIGGER outcomes_stand BEFORE UPDATE ON outcomes
BEGIN SELECT RAISE(ABORT, 'what a check came to stands'); END;
CREATE TRIGGER closed_jobs_stand BEFORE UPDATE ON jobs WHEN OLD.closed_at <> ''
BEGIN SELECT RAISE(ABORT, 'a closed job stands'); END;
"""
_OF_A_JOB = (*_OF_A_JOB_THEN, "plan", "left_out")
# A job that is damaged is not made to look sound.
_SEVENTH = f"""
DROP TRIGGER closed_jobs_stand;
ALTER TABLE jobs ADD COLUMN plan TEXT NOT NULL DEFAULT '';
ALTER TABLE jobs ADD COLUMN left_out TEXT NOT NULL DEFAULT '[]';
UPDATE jobs SET checksum = {_sum(*_OF_A_JOB)} WHERE checksum IS {_sum(*_OF_A_JOB_THEN)};
CREATE TRIGGER closed_jobs_stand BEFORE UPDATE ON jobs WHEN OLD.closed_at <> ''
BEGIN SELECT RAISE(ABORT, 'a closed job stands'); END;
"""
MIGRATIONS = (_FIRST, _SECOND, _THIRD, _FOURTH, _FIFTH, _SIXTH, _SEVENTH)
"""From each version to the next: the tables; what holds that nothing kept is overwritten; what
holds that nothing is added to a closed job; how an open job stands; which jobs have anything of the
virtual drive in them; a checksum for each record, and how many a job has; what a job is for, and
what it leaves out."""

SEAL_DRIVE = f"UPDATE drives SET checksum = {_sum(*_OF_A_DRIVE)} WHERE identity = ?"
SEAL_JOB = f"UPDATE jobs SET checksum = {_sum(*_OF_A_JOB)} WHERE number = ?"
DRIVE_IS_SOUND = f"drives.checksum IS {_sum(*(f'drives.{each}' for each in _OF_A_DRIVE))}"
JOB_IS_SOUND = f"jobs.checksum IS {_sum(*(f'jobs.{each}' for each in _OF_A_JOB))}"
TAKING_IS_SOUND = f"checksum IS {_sum(*_OF_A_TAKING)}"
OUTCOME_IS_SOUND = f"checksum IS {_sum(*_OF_AN_OUTCOME)}"
"""Whether rows are as they were kept."""
KEEP_TAKING = (
    "INSERT INTO takings (job, body, turns, envelope_v, checksum) "
    f"VALUES (?1, ?2, ?3, ?4, {_sum('?1', '?2', '?3', '?4')})"
)
KEEP_OUTCOME = f"INSERT INTO outcomes (job, body, checksum) VALUES (?1, ?2, {_sum('?1', '?2')})"


def change_of_job(names: Iterable[str]) -> str:
    """Return the SQL that changes these columns of a job that is sound, and its checksum."""
    changed = set(names)
    now = (f":{each}" if each in changed else each for each in _OF_A_JOB)
    sets = ", ".join(f"{each} = :{each}" for each in _OF_A_JOB if each in changed)
    return (
        f"UPDATE jobs SET {sets}, checksum = {_sum(*now)} WHERE number = :number AND {JOB_IS_SOUND}"
    )


def checksum(*values: bytes | None) -> int:
    """Return a sum that is another one after any change of up to 32 bits in a row; SQL knows it.

    CRC-32 as ISO/IEC/IEEE 8802-3 has it, of each value after its length.
    """
    found = 0
    for value in values:
        kind = "-" if value is None else f"{len(value)};"
        found = zlib.crc32(value or b"", zlib.crc32(kind.encode("ascii"), found))
    return found


def migrate(connection: sqlite3.Connection, where: str) -> None:
    """Create a new book's tables, or bring those of an older one up to this version.

    Each step is one transaction: a book is never between two versions.

    Raises
    ------
    BookError
        When it is not a job book, or a newer program's.
    """
    while True:
        # All of it is read as of one moment: another program may make the book meanwhile.
        with transaction(connection, "BEGIN"):
            version = _version(connection, where)
        if version == len(MIGRATIONS):
            return
        with transaction(connection, "BEGIN IMMEDIATE"):
            # Another window may do the same at this moment: the version is looked at again inside.
            if _version(connection, where) == version:
                for statement in _statements(MIGRATIONS[version]):
                    connection.execute(statement)
                connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                connection.execute(f"PRAGMA user_version = {version + 1}")


@contextmanager
def transaction(connection: sqlite3.Connection, begin: str) -> Iterator[None]:
    """Commit all that is written within, or roll it back."""
    connection.execute(begin)
    try:
        yield
        connection.execute("COMMIT")
    finally:
        # A full disk has rolled it back already.
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def _version(connection: sqlite3.Connection, where: str) -> int:
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if application != APPLICATION_ID and (application or version or tables):
        raise BookError(f"book “{where}”: this is another program's file; name another with --book")
    if version > len(MIGRATIONS):
        raise BookError(
            f"book “{where}”: it is of version {version}, and this program knows up to "
            f"{len(MIGRATIONS)}; open it with a newer Evenlobe"
        )
    return int(version)


def _statements(script: str) -> list[str]:
    """Split a script into statements, to be run within one transaction."""
    statements: list[str] = []
    begun = ""
    for line in script.splitlines(keepends=True):
        begun += line
        if sqlite3.complete_statement(begun):
            statements.append(begun)
            begun = ""
    return statements
