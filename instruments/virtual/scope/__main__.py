"""``python -m instruments.virtual.scope --family A2 --port 0``: prints the address and serves."""

from __future__ import annotations

import argparse
import sys

from instruments.source import AddressError
from instruments.virtual.scope import FAMILIES, TRANSPORTS, serve


def main() -> int:
    """Read the command line and serve; return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m instruments.virtual.scope")
    parser.add_argument("--family", choices=FAMILIES, default="A2")
    parser.add_argument("--transport", choices=TRANSPORTS, default="socket")
    parser.add_argument("--port", type=int, default=0, help="TCP port; 0 for a free one")
    parser.add_argument(
        "--options", default="", help="of the virtual drive, as offset_um=25&seed=1"
    )
    given = parser.parse_args()
    try:
        serve(given.family, given.transport, given.port, given.options, tell=_tell)
    except AddressError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    return 0


def _tell(address: str) -> None:
    sys.stdout.write(f"{address}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
