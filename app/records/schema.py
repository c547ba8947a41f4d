"""The job book's tables, version by version; a book of an older one is brought up when opened."""

from __future__ import annotations

import sqlite3

from app.records.fault import BookError

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
MIGRATIONS = (_FIRST, _SECOND, _THIRD, _FOURTH)
"""From each version to the next: the tables; what holds that nothing kept is overwritten; what
holds that nothing is added to a closed job; how an open job stands."""


def bring_up(connection: sqlite3.Connection, where: str) -> None:
    """Make a new book's tables, or bring those of an older one up to this version.

    Each step is one transaction: a book is never between two versions.

    Raises
    ------
    BookError
        When it is not a job book, or a newer program's.
    """
    while True:
        version = _version(connection, where)
        if version == len(MIGRATIONS):
            return
        # Another window may do the same at this moment: the version is looked at again inside.
        connection.execute("BEGIN IMMEDIATE")
        try:
            if _version(connection, where) == version:
                for statement in _statements(MIGRATIONS[version]):
                    connection.execute(statement)
                connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                connection.execute(f"PRAGMA user_version = {version + 1}")
            connection.execute("COMMIT")
        except BaseException:
            # A full disk has rolled it back already.
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise


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
    """Part a script into statements, so that all of them stand in one transaction."""
    statements: list[str] = []
    begun = ""
    for line in script.splitlines(keepends=True):
        begun += line
        if sqlite3.complete_statement(begun):
            statements.append(begun)
            begun = ""
    return statements
