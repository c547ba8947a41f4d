"""The job book: drives, jobs, and every measurement from the moment that it was taken.

Threads: a book belongs to the thread that opened it. Several threads, windows and programs may
have the same file open, each through a book of its own.
"""

from __future__ import annotations

import json
import uuid
from typing import Any

from app.job.ledger import summary_of
from app.job.model import JobHead, Outcome, Stage, Summary, Taking
from app.job.standing import Standing, steps_of
from app.records import coding
from app.records.bookfile import BookFile, folded
from app.records.fault import CodingError, RefusedError, told_of
from app.records.left import Left
from app.records.model import Drive, JobRecord, Past, Shelved

_PAST = "jobs.number, opened_at, closed_at, virtual, as_found, as_left, nudges"


class Book(BookFile):
    """An open job book; its parameter is that of its file."""

    # -- keeping -------------------------------------------------------------------------------

    def add_drive(self, drive: Drive) -> None:
        """Add a drive.

        Raises
        ------
        BookError
            When there is one of that identity, or a text cannot stand.
        """
        coding.check_texts(coding.as_tree(drive))
        if not drive.identity.strip():
            raise RefusedError("a drive needs an identity; give it a name or number of your own")
        with self._writing():
            if self._drive_id(drive.identity) is not None:
                raise RefusedError(
                    f"drive “{shown(drive.identity)}” is in the book already; choose another "
                    "identity"
                )
            self._db.execute(
                "INSERT INTO drives (identity, profile, note, added_at) VALUES (?, ?, ?, ?)",
                (drive.identity, drive.profile, drive.note, drive.added_at),
            )

    def change_drive(
        self, identity: str, *, profile: str | None = None, note: str | None = None
    ) -> None:
        """Change what is said of a drive; jobs keep the class that they were done with."""
        coding.check_texts({"profile": profile, "note": note})
        with self._writing():
            number = self._known_drive(identity)
            self._db.execute(
                "UPDATE drives SET profile = coalesce(?, profile), note = coalesce(?, note) "
                "WHERE id = ?",
                (profile, note, number),
            )

    def open_job(self, identity: str, head: JobHead, uid: str | None = None) -> int:
        """Begin a job on a drive that is in the book, and return its number."""
        tree = coding.as_tree(head)
        coding.check_texts([tree, uid or ""], "head")
        with self._writing():
            drive = self._known_drive(identity)
            done = self._db.execute(
                "INSERT INTO jobs (uid, drive, opened_at, source, virtual, software, profile, "
                "profile_values, conditions) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    uid or uuid.uuid4().hex,
                    drive,
                    head.opened_at,
                    head.source,
                    int(head.virtual),
                    head.software,
                    head.profile,
                    json.dumps(tree["profile_values"], ensure_ascii=False),
                    json.dumps(tree["conditions"], ensure_ascii=False),
                ),
            )
            assert done.lastrowid is not None
            return done.lastrowid

    def add_taking(self, number: int, taking: Taking) -> None:
        """Keep a measurement."""
        body = coding.taking_text(taking)
        with self._writing():
            self._known_job(number)
            self._db.execute(
                "INSERT INTO takings (job, body, turns, envelope_v) VALUES (?, ?, ?, ?)",
                (
                    number,
                    body,
                    coding.packed(taking.turns),
                    coding.packed(taking.envelope_v),
                ),
            )

    def add_outcome(self, number: int, outcome: Outcome) -> None:
        """Keep what a check came to, and with it what follows for the drive as found and left."""
        body = coding.as_text(outcome)
        with self._writing():
            self._known_job(number)
            self._db.execute("INSERT INTO outcomes (job, body) VALUES (?, ?)", (number, body))
            outcomes = self._outcomes(number)
            self._db.execute(
                "UPDATE jobs SET as_found = ?, as_left = ? WHERE number = ?",
                (
                    coding.as_text(summary_of(outcomes, Stage.AS_FOUND)),
                    coding.as_text(summary_of(outcomes, Stage.AS_LEFT)),
                    number,
                ),
            )

    def keep_standing(self, number: int, standing: Standing) -> None:
        """Keep how an open job stands, in place of how it stood."""
        body = coding.as_text(standing)
        with self._writing():
            self._known_job(number)
            self._db.execute(
                "UPDATE jobs SET standing = ?, nudges = ? WHERE number = ?",
                (body, standing.bench.nudges, number),
            )

    def close_job(self, number: int, closed_at: str, nudges: int, reason: str = "") -> None:
        """Close a job; after that nothing of it changes any more."""
        coding.check_texts([closed_at, reason], "reason")
        with self._writing():
            self._known_job(number)
            self._db.execute(
                "UPDATE jobs SET closed_at = ?, closing_reason = ?, nudges = ? WHERE number = ?",
                (closed_at, reason, nudges, number),
            )

    # -- reading -------------------------------------------------------------------------------

    def drive(self, identity: str) -> Drive | None:
        """Return a drive, None when there is none of that identity."""
        coding.check_texts(identity, "identity")
        with told_of(self._where):
            row = self._db.execute(
                "SELECT identity, profile, note, added_at FROM drives WHERE identity = ?",
                (identity,),
            ).fetchone()
        return Drive(*row) if row else None

    def drives(self, search: str = "") -> tuple[Shelved, ...]:
        """Return the drives whose identity, class or note has `search` in it, by identity."""
        coding.check_texts(search, "search")
        with told_of(self._where):
            rows = self._db.execute(
                "SELECT identity, drives.profile, note, added_at, "
                "(SELECT count(*) FROM jobs WHERE drive = drives.id), "
                f"{_PAST} FROM drives LEFT JOIN jobs ON jobs.number = "
                "(SELECT max(number) FROM jobs WHERE drive = drives.id) "
                "WHERE ? = '' OR instr(folded(identity || char(10) || drives.profile || char(10) "
                "|| note), ?) ORDER BY folded(identity)",
                (search, folded(search)),
            ).fetchall()
            return tuple(
                Shelved(Drive(*row[:4]), row[4], _past_of(row[5:]) if row[5] else None)
                for row in rows
            )

    def history(self, identity: str) -> tuple[Past, ...]:
        """Return the jobs of a drive, oldest first, without what was measured in them."""
        with told_of(self._where):
            drive = self._known_drive(identity)
            rows = self._db.execute(
                f"SELECT {_PAST} FROM jobs WHERE drive = ? ORDER BY number", (drive,)
            )
            return tuple(_past_of(row) for row in rows)

    def job(self, number: int) -> JobRecord:
        """Return a job with everything that was measured."""
        with self._reading():
            return self._job(number)

    def standing(self, number: int) -> Standing | None:
        """Return how an open job stands, None of one that is closed or of before that was kept."""
        with self._reading():
            self._known_job(number)
            body, closed_at = self._db.execute(
                "SELECT standing, closed_at FROM jobs WHERE number = ?", (number,)
            ).fetchone()
            if closed_at or not body:
                return None
            return coding.read(Standing, coding.tree_of(body), f"job {number}: standing")

    def left(self, number: int) -> Left:
        """Return an open job as it was left.

        Raises
        ------
        BookError
            When it cannot be gone on with.
        """
        with self._reading():
            record, standing = self.job(number), self.standing(number)
            if record.closed_at:
                raise RefusedError(f"job {number} is closed; begin a new one")
            if standing is None:
                raise RefusedError(
                    f"job {number} was broken off as it began, or an older Evenlobe kept what was "
                    "measured but not how the job stood; begin a new one"
                )
            try:
                steps_of(standing.steps, record.outcomes)
            except ValueError as fault:
                raise CodingError(f"job {number}: {fault}") from None
        return Left(number, record.drive, record.head, standing, record.outcomes)

    def numbers(self) -> tuple[int, ...]:
        """Return the numbers of all jobs, oldest first."""
        with told_of(self._where):
            rows = self._db.execute("SELECT number FROM jobs ORDER BY number")
            return tuple(number for (number,) in rows)

    def uid(self, number: int) -> str:
        """Return the name of a job that is its own among those of all books."""
        with told_of(self._where):
            row = self._db.execute("SELECT uid FROM jobs WHERE number = ?", (number,)).fetchone()
        return str(row[0])

    def has_job(self, uid: str) -> bool:
        """Tell whether a job of that name is in the book."""
        coding.check_texts(uid, "uid")
        with told_of(self._where):
            found = self._db.execute("SELECT 1 FROM jobs WHERE uid = ?", (uid,)).fetchone()
        return found is not None

    # -- inside --------------------------------------------------------------------------------

    def _drive_id(self, identity: str) -> int | None:
        coding.check_texts(identity, "identity")
        row = self._db.execute("SELECT id FROM drives WHERE identity = ?", (identity,)).fetchone()
        return None if row is None else int(row[0])

    def _known_drive(self, identity: str) -> int:
        number = self._drive_id(identity)
        if number is None:
            raise RefusedError(
                f"drive “{shown(identity)}” is not in the book “{self._where}”; "
                "“evenlobe drives” lists those that are"
            )
        return number

    def _known_job(self, number: int) -> None:
        # SQLite's own numbers end there.
        known = abs(number) < 2**63
        if (
            not known
            or not self._db.execute("SELECT 1 FROM jobs WHERE number = ?", (number,)).fetchone()
        ):
            raise RefusedError(f"book “{self._where}”: it has no job {number}")

    def _outcomes(self, number: int) -> tuple[Outcome, ...]:
        rows = self._db.execute("SELECT body FROM outcomes WHERE job = ? ORDER BY id", (number,))
        return tuple(
            coding.read(Outcome, coding.tree_of(body), f"job {number}: outcome") for (body,) in rows
        )

    def _takings(self, number: int) -> tuple[Taking, ...]:
        where = f"job {number}: taking"
        rows = self._db.execute(
            "SELECT body, turns, envelope_v FROM takings WHERE job = ? ORDER BY id", (number,)
        )
        return tuple(
            coding.taking_of(
                coding.tree_of(body), where, coding.unpacked(turns), coding.unpacked(envelope)
            )
            for body, turns, envelope in rows
        )

    def _job(self, number: int) -> JobRecord:
        self._known_job(number)
        row: tuple[Any, ...] = self._db.execute(
            "SELECT identity, drives.profile, note, added_at, opened_at, source, virtual, "
            "software, jobs.profile, profile_values, conditions, closed_at, closing_reason, "
            "nudges FROM jobs JOIN drives ON drives.id = drive WHERE number = ?",
            (number,),
        ).fetchone()
        outcomes = self._outcomes(number)
        head = coding.read(
            JobHead,
            {
                "opened_at": row[4],
                "source": row[5],
                "virtual": bool(row[6]),
                "software": row[7],
                "profile": row[8],
                "profile_values": coding.tree_of(row[9]),
                "conditions": coding.tree_of(row[10]),
            },
            f"job {number}",
        )
        return JobRecord(
            number=number,
            drive=Drive(*row[:4]),
            head=head,
            takings=self._takings(number),
            outcomes=outcomes,
            as_found=summary_of(outcomes, Stage.AS_FOUND),
            as_left=summary_of(outcomes, Stage.AS_LEFT),
            closed_at=row[11],
            closing_reason=row[12],
            nudges=row[13],
        )


def shown(text: str) -> str:
    """Return a user's text fit to stand in one line of a message."""
    printable = "".join(sign if sign.isprintable() else "\ufffd" for sign in text)
    return printable if len(printable) <= 60 else printable[:59] + "…"


def _past_of(row: tuple[Any, ...]) -> Past:
    number, opened_at, closed_at, virtual, as_found, as_left, nudges = row
    found, left = (
        Summary() if text == "{}" else coding.read(Summary, coding.tree_of(text), f"job {number}")
        for text in (as_found, as_left)
    )
    return Past(number, opened_at, closed_at, bool(virtual), found, left, nudges)
