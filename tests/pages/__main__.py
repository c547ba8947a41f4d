"""Take a picture of every page and state of the window: ``python -m tests.pages FOLDER``.

Each size, 1920×1080 at 200 % too, light and dark, in every language and for either hand, unless
options choose fewer. A person looks at them; what a program can tell the tests tell. They are named
SIZE-HAND-COLOURS-LANGUAGE-PAGE.png. What is shown is invented, so two runs of one program give the
same pictures. Qt's offscreen platform is taken unless QT_QPA_PLATFORM names another.
"""

import argparse
import os
import subprocess
import sys
from itertools import product
from pathlib import Path

from app.language import languages

SIZES = ("480x320", "1024x640", "1920x1080", "3840x2160", "1920x1080@2")
COLOURS = ("light", "dark", "contrast")
HANDS = ("right", "left")


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.pages", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--sizes", nargs="+", default=SIZES, help="WIDTHxHEIGHT, @2 for 200 %%")
    parser.add_argument("--colours", nargs="+", choices=COLOURS, default=COLOURS[:2])
    parser.add_argument("--languages", nargs="+", default=languages())
    parser.add_argument("--hands", nargs="+", choices=HANDS, default=HANDS)
    parser.add_argument("--pages", default="", help="only those with this in their names")
    parsed = parser.parse_args(arguments)
    parsed.folder.mkdir(parents=True, exist_ok=True)
    for size, language in product(parsed.sizes, parsed.languages):
        pixels, _, scale = size.partition("@")
        # Qt reads the scale once, when it begins.
        shown = {**os.environ, "QT_SCALE_FACTOR": scale or "1"}
        shown.setdefault("QT_QPA_PLATFORM", "offscreen")
        words = [pixels, scale or "1", language, ",".join(parsed.colours), ",".join(parsed.hands)]
        taken = subprocess.run(
            [sys.executable, "-m", "tests.pages.taking", str(parsed.folder), *words, parsed.pages],
            env=shown,
            check=False,
        )
        if taken.returncode:
            return taken.returncode
    return 0


sys.exit(main(sys.argv[1:]))
