"""Records what the program does, or compares two recordings."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tests.behaviour.comparing import differences
from tests.behaviour.recording import record


def main(arguments: list[str]) -> int:
    """Do what is asked; returns 1 where two recordings differ."""
    parser = argparse.ArgumentParser(prog="python -m tests.behaviour", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    recorder = commands.add_parser("record", help="record a checkout into a new folder")
    recorder.add_argument("folder", type=Path)
    recorder.add_argument(
        "--root", type=Path, default=Path(), help="the checkout (default: the current folder)"
    )
    comparer = commands.add_parser("compare", help="print what differs; exit status 1 if anything")
    comparer.add_argument("old", type=Path)
    comparer.add_argument("new", type=Path)
    options = parser.parse_args(arguments)
    if options.command == "record":
        record(options.folder, options.root)
        return 0
    for folder in (options.old, options.new):
        if not folder.is_dir():
            parser.error(f"there is no folder {folder}")
    found = list(differences(options.old, options.new))
    print(*found, f"{len(found)} files differ", sep="\n")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
