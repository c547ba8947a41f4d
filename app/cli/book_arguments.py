"""What the commands of a job and of the job book take, and their help."""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path

from app.cli.options import (
    SOURCES,
    add_analysis,
    add_book,
    add_language,
    add_overwrite,
    add_roles,
    add_steps,
    add_units,
    count,
    whole,
)
from app.job.model import DESCRIPTIONS, CheckName
from app.job.plan import Plan

_JOB_KEYS = """\
JSON object of --json; Q is {"value": number, "u": standard uncertainty} or null:
  schema                "evenlobe.job/1"
  drive, virtual        your name for it; whether it is the virtual drive
  plan                  name, and left_out: each check that it does not have, with the reason
  checks                one for each that ended: check, stage ("as found", "work", "as left"), side,
                        value, u, expanded_u, dof (null without end), unit, verdict ("pass", "fail",
                        "undecided", "noted", "skipped"), conformity (probability, 0 to 1), budget
                        (name, u, value: the correction, dof, shape, unit of each part), aim (where
                        the head was to be, in words), reason, provisos (of a length:
                        "uncalibrated", "detector unproved", as far as it is so)
  as_found, as_left     {"offset_um": Q, "hysteresis_um": Q, "speed_rpm": Q}; the offset is the
                        middle of the hysteresis
  aim                   {"kind", "um", "u_um"}: "alignment disk", "stated offset", "as found" or
                        "archive's disk", and where the middle of head 0 is to be, from the zero
  nudges                nudges asked for, and tightenings beyond the first
"""


def job(parser: argparse.ArgumentParser) -> None:
    """Say what “job” takes."""
    parser.epilog = f"""\
checks: {", ".join(CheckName)}

{SOURCES}
On the virtual drive nothing is asked: a virtual technician does what the tool says. Elsewhere the
prompts say what to do: Enter when it is done, or “skip: why”, or “back”. Ctrl-C leaves the job
open; all that was measured is kept, and --resume goes on with it on this day or another.

exit status: 0 the job was closed, 3 it is left open or not all in the book, 2 bad usage or an input
that cannot be read

{_JOB_KEYS}
examples:
  evenlobe job sim: --drive demo
  evenlobe job sim: --drive demo --plan check
  evenlobe job 'sim:offset_um=-80&creep_um=9' --drive demo --checks radial,adjust,lock --json
  evenlobe job 'sim:recording=track&track_um=155' --drive demo --plan centre
  evenlobe job sound: --roles differential,index --drive "machine 7, upper"
  evenlobe job sound: --roles differential,index --drive "machine 7, upper" --resume
  evenlobe job sound: --roles differential,index --drive TM-0031 --resume --aim "as found"
"""
    parser.add_argument("source", metavar="SOURCE", help="what the drive is measured by")
    parser.add_argument("--drive", metavar="ID", required=True, help="your own name for the drive")
    extent = parser.add_mutually_exclusive_group()
    extent.add_argument(
        "--plan",
        choices=tuple(Plan),
        help="full: all as found, the work, and as left what it may have moved; check: all as "
        "found, and nothing is moved; adjust: the head alone; centre: without an alignment disk; "
        "the others calibrate one (default: full)",
    )
    extent.add_argument(
        "--checks",
        metavar="A,B",
        help="these checks alone (default: all but the last four); with --resume: once more",
    )
    parser.add_argument(
        "--aim",
        metavar="AIM",
        help="where the head is to be: “alignment disk”, an offset from its zero in the unit of "
        "--units or its own, as 12, 12±1 or 0.5mil (--aim=-12±1), or with --resume “as found”, "
        "the way back, or “archive's disk”, the middle of its track as a job with the plan "
        "“centre” found it before (default: alignment disk)",
    )
    parser.add_argument("--json", action="store_true", help="print the job as one JSON object")
    book = parser.add_mutually_exclusive_group()
    add_book(book)
    book.add_argument("--no-book", action="store_true", help="keep nothing")
    parser.add_argument(
        "--resume",
        metavar="JOB",
        nargs="?",
        type=whole,
        const=0,
        help="go on with the drive's newest open job, or with that one: what is done stands",
    )
    parser.add_argument(
        "--describe",
        metavar="KEY=TEXT",
        action="append",
        default=[],
        help="say who did the job, for whom, with what; “describe --help” has the keys",
    )
    parser.add_argument(
        "--same-drive",
        action="store_true",
        help="with --resume: go on where the source is another than before; the report tells so",
    )
    parser.add_argument(
        "--report",
        metavar="FILE",
        type=Path,
        help="where the report goes: FILE.html or FILE.pdf (default: a folder beside the book)",
    )
    add_language(parser)
    add_overwrite(parser)
    add_steps(parser)
    parser.add_argument(
        "--recheck",
        action="store_true",
        help="first play the tones of “check-source --quick” on the output that the input was "
        "checked with, and look whether what is kept still holds (a terminal is asked)",
    )
    parser.add_argument(
        "--seatings",
        metavar="N",
        type=partial(count, 2),
        help="how often the disk is seated (default: 5)",
    )
    parser.add_argument(
        "--arrivals",
        metavar="N",
        type=partial(count, 1),
        help="how often the head arrives from each side (default: 3)",
    )
    add_units(parser)
    add_roles(parser)
    add_analysis(parser)
    # Without it the drive's own class in the book counts.
    parser.set_defaults(profile=None)


def calibrations(parser: argparse.ArgumentParser) -> None:
    """Say what “calibrations” takes."""
    parser.epilog = """\
A calibration is made by a job, and counts once that is closed; “evenlobe help calibration” tells
how.

examples:
  evenlobe calibrations
  evenlobe job sound: --drive "check standard" --plan zero --describe "alignment disk=AD 7"
"""
    add_book(parser)


def drives(parser: argparse.ArgumentParser) -> None:
    """Say what “drives” takes."""
    parser.epilog = """\
Where the search leaves one drive, its jobs are shown, and how fast it drifts.

examples:
  evenlobe drives
  evenlobe drives "hall 2"
"""
    parser.add_argument(
        "search", metavar="SEARCH", nargs="?", help="part of its name, class or note"
    )
    add_book(parser)


def report(parser: argparse.ArgumentParser) -> None:
    """Say what “report” takes."""
    parser.epilog = """\
HTML is one file that needs nothing else and runs nothing; PDF has pages. What the virtual drive
gave is marked on every one of them.

examples:
  evenlobe report --drive "machine 7, upper" --out machine7.pdf
  evenlobe report --drive demo --job 3 --out demo.html --overwrite
"""
    parser.add_argument("--drive", metavar="ID", required=True, help="whose job")
    parser.add_argument("--job", metavar="N", type=whole, help="which (default: the newest)")
    parser.add_argument(
        "--out", metavar="FILE", type=Path, required=True, help="FILE.html or FILE.pdf"
    )
    parser.add_argument(
        "--paper", choices=("a4", "letter"), default="a4", help="of a PDF (default: a4)"
    )
    add_units(parser)
    add_language(parser)
    add_overwrite(parser)
    add_book(parser)


def export(parser: argparse.ArgumentParser) -> None:
    """Say what “export” takes."""
    parser.epilog = """\
JSON holds everything and can be imported again; CSV is a folder of tables for a spreadsheet.

examples:
  evenlobe export --out book.json
  evenlobe export --format csv --out tables
"""
    parser.add_argument("--out", metavar="PATH", type=Path, required=True, help="file or folder")
    parser.add_argument("--format", choices=("json", "csv"), default="json", help="default: json")
    add_overwrite(parser)
    add_book(parser)


def import_(parser: argparse.ArgumentParser) -> None:
    """Say what “import” takes."""
    parser.epilog = "A job that is in the book already is passed over; all is added, or nothing.\n"
    parser.add_argument("file", metavar="FILE", type=Path, help="what “export” wrote as JSON")
    add_book(parser)


def backup(parser: argparse.ArgumentParser) -> None:
    """Say what “backup” takes."""
    parser.epilog = "The copy is a book itself; it may be made while jobs are under way.\n"
    parser.add_argument("out", metavar="FILE", type=Path, help="the copy")
    add_overwrite(parser)
    add_book(parser)


def describe(parser: argparse.ArgumentParser) -> None:
    """Say what “describe” takes."""
    rows = "\n".join(f"  {name:<16}{hint}" for name, hint in DESCRIPTIONS)
    parser.epilog = f"""\
keys:
{rows}

Without any it prints what is said. It can be changed until the job is closed; an empty text takes a
description back. Nothing that was measured can be changed.

examples:
  evenlobe describe --drive TM-0031 "technician=A. Example" "drive serial=4711"
  evenlobe describe --drive TM-0031 --job 3
"""
    parser.add_argument("said", metavar="KEY=TEXT", nargs="*", help="what is to be said")
    parser.add_argument("--drive", metavar="ID", required=True, help="whose job it is")
    parser.add_argument("--job", metavar="N", type=whole, help="which (default: the newest)")
    add_book(parser)


def verify(parser: argparse.ArgumentParser) -> None:
    """Say what “verify” takes."""
    parser.epilog = """\
The report is made anew from the record that its file holds, and compared; with the book too, where
that has the job. It proves that nothing was changed, not who wrote it: whoever changes the record
as well leaves no trace but in the book.

exit status: 0 nothing was changed, 3 something was, 2 it cannot be told

examples:
  evenlobe verify tm-0031.pdf
  evenlobe verify tm-0031.html --book shared.sqlite3
"""
    parser.add_argument("file", metavar="FILE", type=Path, help="a report, HTML or PDF")
    add_book(parser)


def restore(parser: argparse.ArgumentParser) -> None:
    """Say what “restore” takes."""
    parser.epilog = """\
The backup is read to its end first. A book that is there is kept beside it under another name.
"""
    parser.add_argument("file", metavar="FILE", type=Path, help="what “backup” wrote")
    add_overwrite(parser)
    add_book(parser)
