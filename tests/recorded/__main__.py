"""Record the nets anew and print what has moved: ``python -m tests.recorded [NET ...]``.

Whoever changes what the program does reads the list, and keeps the record with the change.
"""

from __future__ import annotations

import argparse
import sys

import tests.conftest  # noqa: F401 - no screen, and nothing of the user's own
from tests.recorded.keeping import moved
from tests.recorded.nets import NETS


def main(arguments: list[str]) -> int:
    """Record, and print; returns the exit status."""
    parser = argparse.ArgumentParser(prog="python -m tests.recorded", description=__doc__)
    parser.add_argument("nets", nargs="*", metavar="NET", help=f"of {', '.join(NETS)}")
    for name in parser.parse_args(arguments).nets or NETS:
        net, before, now = NETS[name], NETS[name].kept(), {}
        for subject in net.subjects:
            now[subject] = net.now(subject)
            lines = moved(before[subject], now[subject]) if subject in before else ("is new",)
            for line in lines:
                print(f"{name}, {subject}: {line}")
        net.record(now)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
