"""Tries the lower bounds of the dependencies: installs exactly those, and does a bit of everything.

``python -m tests.lower_bounds`` makes an environment in a temporary folder and needs the package
index; with ``--pins`` it prints what it would install.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import tomllib
import venv
from pathlib import Path

ROOT = Path(__file__).parents[1]
_SMOKE = """
import sys
import time
from pathlib import Path

from PySide6.QtWidgets import QApplication

from app.cli.main import run

# The one of the window, before a report in PDF makes one without windows.
application = QApplication([])
folder = Path(sys.argv[1])
capture, book = folder / "a.wav", folder / "book.sqlite3"
for words in (
    ["simulate", str(capture), "--seconds", "2"],
    ["measure", str(capture)],
    ["captures", str(folder)],
    ["sources"],
    ["diagnostics"],
    ["job", "sim:", "--drive", "TM-1", "--book", str(book), "--plan", "check"],
    ["report", "--drive", "TM-1", "--book", str(book), "--out", str(folder / "a.html")],
    ["report", "--drive", "TM-1", "--book", str(book), "--out", str(folder / "a.pdf")],
):
    status = run(words)
    assert status == 0, (words, status)

from app.dashboard.window import MainWindow
from app.live.opening import Opening
from app.live.session import Session
from app.profiles import load_profile

session = Session(load_profile("130mm-48tpi"))
window = MainWindow(session, book=book)
window.open_source(Opening("sim:rate=64000&carrier_hz=25000"))
window.show()
until_s = time.monotonic() + 60.0
while not ((reading := session.view().reading) and reading.valid):
    application.processEvents()
    assert time.monotonic() < until_s, session.view()
window.close()
session.close()

# A scope through the two libraries of its link.
import subprocess

command = [sys.executable, "-m", "app", "virtual-scope", "--options", "offset_um=20"]
with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as scope:
    try:
        status = run(["measure", scope.stdout.readline().strip(), "--seconds", "3"])
        assert status == 0, status
    finally:
        scope.terminate()
print("all done")
"""


def pins() -> list[str]:
    """Return each dependency at its lower bound, as pip takes it."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    found = []
    for each in project["dependencies"]:
        name, _, bounds = each.partition(">=")
        found.append(f"{name}=={bounds.partition(',')[0]}")
    return found


def main(arguments: list[str]) -> int:
    """Install and try; return 1 where something failed."""
    parser = argparse.ArgumentParser(prog="python -m tests.lower_bounds", description=__doc__)
    parser.add_argument("--pins", action="store_true", help="print them, and do nothing else")
    if parser.parse_args(arguments).pins:
        print(*pins(), sep="\n")
        return 0
    with tempfile.TemporaryDirectory(prefix="evenlobe-bounds-") as name:
        folder = Path(name)
        venv.create(folder / "venv", with_pip=True)
        python = folder / "venv" / ("Scripts" if os.name == "nt" else "bin") / "python"
        pip = [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
        subprocess.run([*pip, *pins()], check=True)
        # The package itself, for its version; what it needs is there.
        subprocess.run([*pip, "--no-deps", str(ROOT)], check=True)
        own = {key: str(folder) for key in ("HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME")}
        environment = {**os.environ, **own, "QT_QPA_PLATFORM": "offscreen"}
        ended = subprocess.run(
            [str(python), "-c", _SMOKE, str(folder)], cwd=folder, env=environment, check=False
        )
    return 1 if ended.returncode else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
