"""Runs the window for some minutes with random hands, and tells what it takes up.

On a display of its own where ``xvfb-run`` is there: ``xvfb-run -a python -m tests.soak``.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

# One core is what the window takes; set before numpy and Qt are imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
if "DISPLAY" not in os.environ:
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")


def main(arguments: list[str]) -> int:
    """Run; return 1 where something failed."""
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0, help="default: 60")
    parser.add_argument("--seed", type=int, default=1, help="of the hands (default: 1)")
    parser.add_argument("--out", type=Path, help="folder for soak.csv and soak.png")
    options = parser.parse_args(arguments)
    out = options.out and options.out.resolve()
    with tempfile.TemporaryDirectory(prefix="evenlobe-soak-") as name:
        # Nothing of the user's own is read or written.
        for own in ("XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_PICTURES_DIR", "HOME"):
            os.environ[own] = str(Path(name) / own.lower())
            Path(os.environ[own]).mkdir()
        # Hands that type a name without a folder write where the program was started.
        os.chdir(name)
        from tests.soak import figures, monkey

        soak = monkey.run(Path(name), 60.0 * options.minutes, options.seed)
        print(figures.table(soak.rows))
        print(figures.summary(soak.rows, soak.late_ms))
        print(f"actions: {soak.actions}, faults of the program: {len(soak.faults)}")
        print(*soak.faults, sep="\n")
        if out is not None:
            figures.write(soak.rows, out)
    return 1 if soak.faults else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
