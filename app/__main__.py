"""The program's entry: the one place from which every layer is reached."""

from __future__ import annotations

import sys

from app.cli import run


def main() -> None:
    """Run the command line and leave with its exit status."""
    try:
        status = run(sys.argv[1:])
    except KeyboardInterrupt:
        status = 130
    sys.exit(status)


if __name__ == "__main__":
    main()
