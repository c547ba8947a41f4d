"""Copies of the checkout that a fault may be made in, and runs of pytest in them."""

from __future__ import annotations

import contextlib
import os
import resource
import shutil
import signal
import subprocess
import sys
import time
import venv
from math import ceil
from pathlib import Path

from tests.mutations.probes import FOLDER

ROOT = Path(__file__).parents[2]
_MARK = "EVENLOBE_TREE"
# With CI the made-up examples are the same in each run, and none is kept. What Python compiles
# stays in the copy, and the next run starts sooner.
_EVERY_RUN = {"CI": "1", "PYTHONPYCACHEPREFIX": "", "PYTHONDONTWRITEBYTECODE": ""}
_MOST_BYTES = 4 << 30
_PROBES = '__import__("tests.mutations.probes", fromlist=["install"]).install()'


def failures(printed: str) -> list[str]:
    """Return what pytest printed of the tests that did not pass, one line each."""
    lines = [line for line in printed.splitlines() if line.startswith(("FAILED", "ERROR"))]
    return [line.split(" - ")[0] for line in lines]


class Tree:
    """A copy of what git has or would take, with an environment of its own that leads to it.

    Processes that a test starts find the copy as well, whatever their folder and environment are.
    """

    def __init__(self, folder: Path) -> None:
        self.root = folder.resolve()
        listed = ["git", "ls-files", "--cached", "--others", "--exclude-standard", "-z"]
        names = subprocess.run(listed, cwd=ROOT, check=True, capture_output=True, text=True).stdout
        for name in filter(None, names.split("\0")):
            if (ROOT / name).is_file():
                (self.root / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(ROOT / name, self.root / name)
        venv.create(self.root / ".venv", symlinks=True)
        (site,) = (self.root / ".venv").glob("lib/python*/site-packages")
        shared = [place for place in sys.path if place.endswith("site-packages")]
        lines = [str(self.root), *shared, f'import os; "{FOLDER}" in os.environ and {_PROBES}']
        (site / "tree.pth").write_text("\n".join(lines) + "\n")
        self._python = self.root / ".venv" / "bin" / "python"
        command = self._python.with_name("evenlobe")
        command.write_text(
            f"#!{self._python}\nimport sys\nfrom app.__main__ import main\nsys.exit(main())\n"
        )
        command.chmod(0o755)

    def write(self, path: str, text: str) -> None:
        """Change a module; what was compiled of it is dropped, for its time may be the same."""
        file = self.root / path
        file.write_bytes(text.encode())
        for compiled in (file.parent / "__pycache__").glob(f"{file.stem}.*"):
            compiled.unlink()

    def pytest(self, words: list[str], limit_s: float, **variables: str) -> tuple[int | None, str]:
        """Run pytest; return its exit status, None where it took too long, and what it printed.

        `limit_s` is what each process may take of a processor; the run may last four times as
        long, for the machine may be busy.
        """
        environment = {**os.environ, **_EVERY_RUN, _MARK: str(self.root), **variables}
        command = [self._python, "-m", "pytest", "-q", "-p", "no:cacheprovider", *words]
        output = self.root.with_suffix(".txt")
        with (
            output.open("w") as file,
            subprocess.Popen(
                command,
                cwd=self.root,
                env=environment,
                stdin=subprocess.DEVNULL,
                stdout=file,
                stderr=subprocess.STDOUT,
            ) as process,
        ):
            most = {resource.RLIMIT_DATA: _MOST_BYTES, resource.RLIMIT_CPU: ceil(limit_s)}
            for what, value in most.items():
                resource.prlimit(process.pid, what, (value, value))
            try:
                status = process.wait(4.0 * limit_s)
            except subprocess.TimeoutExpired:
                status = None
            finally:
                while self._end_all():
                    time.sleep(0.05)
        late = status in (-signal.SIGKILL, -signal.SIGXCPU)
        return None if late else status, output.read_text(errors="replace")

    def _end_all(self) -> bool:
        """Tell a run's processes to end, by the mark that each inherits; tell whether any was."""
        mark, found = f"{_MARK}={self.root}".encode(), False
        for folder in Path("/proc").glob("[0-9]*"):
            with contextlib.suppress(OSError):
                if mark in (folder / "environ").read_bytes().split(b"\0"):
                    os.kill(int(folder.name), signal.SIGKILL)
                    found = True
        return found
