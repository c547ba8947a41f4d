"""The grammar of the job's and the book's commands."""

from __future__ import annotations

import argparse
from pathlib import Path

from app.commands.arguments import (
    SOURCES,
    add_analysis,
    add_book,
    add_overwrite,
    add_roles,
    from_one,
    from_two,
    whole,
)
from app.job.model import CheckName


def job(parser: argparse.ArgumentParser) -> None:
    """Say what “job” takes."""
    parser.epilog = f"""\
checks: {", ".join(CheckName)}

{SOURCES}
On the virtual drive nothing is asked: a virtual technician does what the tool says. Elsewhere the
prompts say what to do: Enter when it is done, or “skip: why”, or “back”. Ctrl-C leaves the job
open; all that was measured is kept, and --resume goes on with it on this day or another.

exit status: 0 the job was closed, 3 it is left open, 2 bad usage or an input that cannot be read

examples:
  evenlobe job sim: --drive demo
  evenlobe job 'sim:offset_um=-80&creep_um=9' --drive demo --checks radial,adjust,lock --json
  evenlobe job sound: --roles differential,index --drive "machine 7, upper"
  evenlobe job sound: --roles differential,index --drive "machine 7, upper" --resume
"""
    parser.add_argument("source", metavar="SOURCE", help="what the drive is measured by")
    parser.add_argument("--drive", metavar="ID", required=True, help="your own name for the drive")
    parser.add_argument(
        "--checks",
        metavar="A,B",
        help="these checks alone (default: all); with --resume: once more",
    )
    parser.add_argument("--json", action="store_true", help="print the job as one JSON object")
    book = parser.add_mutually_exclusive_group()
    add_book(book)
    book.add_argument("--no-book", action="store_true", help="keep nothing")
    parser.add_argument(
        "--resume",
        action="store_true",
        help="go on with the drive's last job, which is open: what is done stands",
    )
    parser.add_argument(
        "--report",
        metavar="FILE",
        type=Path,
        help="where the report goes: FILE.html or FILE.pdf (default: a folder beside the book)",
    )
    add_overwrite(parser)
    parser.add_argument(
        "--seatings", metavar="N", type=from_two, help="how often the disk is seated (default: 5)"
    )
    parser.add_argument(
        "--arrivals",
        metavar="N",
        type=from_one,
        help="how often the head arrives from each side (default: 3)",
    )
    add_roles(parser)
    add_analysis(parser)
    # Without it the drive's own class in the book counts.
    parser.set_defaults(profile=None)


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
