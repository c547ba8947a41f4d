"""One target under atheris, which is libFuzzer: ``python -m tests.fuzz.guided NAME FOLDER …``.

What follows the folder are libFuzzer's own options and folders. It ends the process itself; what is
found lies in the folder.
"""

from __future__ import annotations

import importlib
import os
import pkgutil
import shlex
import sys
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")


def main(arguments: list[str]) -> None:
    """Fuzz; does not return."""
    import atheris  # pyright: ignore[reportMissingImports] - a part of the machines has it

    name, folder, *options = arguments
    from app import analysis

    # Readers alone guide: what the analysis does with samples would drown them.
    for each in pkgutil.walk_packages(analysis.__path__, "app.analysis."):
        importlib.import_module(each.name)
    with atheris.instrument_imports(include=["app", "instruments", "tomllib"]):
        from tests.fuzz.targets import TARGETS
    from tests.fuzz.changing import changed_tree
    from tests.fuzz.judging import judged, limited

    target = TARGETS[name]

    def mutated(data: bytes, longest: int, seed: int) -> bytes:
        found = changed_tree(data, seed) if seed % 4 else b""
        return found if found and len(found) <= longest else atheris.Mutate(data, longest)

    with judged(target, Path(folder)) as judge:
        more = {"custom_mutator": mutated} if target.is_tree else {}

        def one(data: bytes) -> None:
            judge(data)

        atheris.Setup([str(_again(name, Path(folder))), *options], one, **more)
        limited()
        atheris.Fuzz()


def _again(name: str, folder: Path) -> Path:
    """Return a program that libFuzzer can start for what it does in processes of its own."""
    command = shlex.join([sys.executable, "-m", "tests.fuzz.guided", name, str(folder)])
    path = folder / "again"
    path.write_text(f'#!/bin/sh\nexec {command} "$@"\n', encoding="utf-8")
    path.chmod(0o700)
    return path


if __name__ == "__main__":
    main(sys.argv[1:])
