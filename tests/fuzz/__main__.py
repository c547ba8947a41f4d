"""Tries targets with changed input; ends with 1 where something came out that should not.

What has reached new code guides the changes, by atheris. Where that is not installed (it is for
Linux on x86-64), hypothesis changes input, and nothing guides it.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

_LIMIT_MB = 512
_STATE = re.compile(r"cov: (\d+) ft: (\d+) corp: (\d+)/")
_COUNTS = re.compile(r"^stat::(\w+): +(\d+)$", re.MULTILINE)


@dataclass(slots=True)
class Run:
    """What came of a run.

    Attributes
    ----------
    coverage : str
        What of the readers was reached: edges, and combinations with how often each; empty where
        nothing counts them.
    peak_mb : int
        The most memory, 0 where nothing looks.
    """

    executions: int = 0
    slowest_s: float = 0.0
    coverage: str = ""
    peak_mb: int = 0


def main(arguments: list[str]) -> int:
    """Fuzz; return the exit status."""
    from tests.fuzz.targets import TARGETS

    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    add = parser.add_argument
    add("--target", choices=TARGETS, action="append", help="this alone (may be repeated)")
    add("--executions", type=int, default=1000, help="of each (default: 1000)")
    add("--seconds", type=int, default=0, help="of each at the most (default: no limit)")
    add("--seed", type=int, default=1)
    add("--folder", type=Path, help="keeps what was found and what reached new code, to go on from")
    add("--input", type=Path, help="try this file alone")
    add("--keep", action="store_true", help="minimise the folder's inputs, and keep the fixtures'")
    options = parser.parse_args(arguments)
    failed = 0
    for name in options.target or TARGETS:
        with _folder(options.folder, name) as folder:
            if options.input is not None:
                _once(name, folder, options.input.read_bytes())
            elif options.keep:
                _keep(name, folder)
            else:
                _tell(name, _run(name, folder, options))
            finds = sorted(folder.glob("find-*.why"))
            failed += len(finds)
            for why in finds:
                print(f"    {why.read_text('utf-8')}".replace("\n", "\n    "))
                print(f"    python -m tests.fuzz --target {name} --input {why.with_suffix('')}")
    return 1 if failed else 0


@contextmanager
def _folder(given: Path | None, name: str) -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp(prefix="evenlobe-fuzz-")) if given is None else given / name
    folder.mkdir(parents=True, exist_ok=True)
    yield folder
    # What was found outlives the run.
    if given is None and not any(folder.glob("find-*")):
        shutil.rmtree(folder)


def _tell(name: str, run: Run) -> None:
    reached = f"{run.coverage}, " if run.coverage else ""
    memory = f", {run.peak_mb} MB" if run.peak_mb else ""
    print(f"{name}: {run.executions} executions, {reached}slowest {run.slowest_s:.2f} s{memory}")
    sys.stdout.flush()


def _once(name: str, folder: Path, data: bytes) -> None:
    """Try one input."""
    from tests.fuzz.judging import judged
    from tests.fuzz.targets import TARGETS

    with judged(TARGETS[name], folder) as judge:
        print(f"{name}: {judge(data)} {judge.slowest_s:.2f} s")


def _run(name: str, folder: Path, options: argparse.Namespace) -> Run:
    if find_spec("atheris") is None:
        return _unguided(name, folder, options.executions, options.seed)
    limits = [f"-runs={options.executions}", f"-seed={options.seed}"]
    if options.seconds:
        limits.append(f"-max_total_time={options.seconds}")
    return _guided(name, folder, limits, (folder / "corpus", _seeds(name, folder)))


def _unguided(name: str, folder: Path, executions: int, seed: int) -> Run:
    import hypothesis

    from tests.fuzz.changing import changed
    from tests.fuzz.corpora import known
    from tests.fuzz.judging import judged, limited
    from tests.fuzz.targets import TARGETS

    corpus = known(TARGETS[name])
    settings = hypothesis.settings(
        max_examples=executions,
        database=None,
        deadline=None,
        phases=[hypothesis.Phase.generate],
        suppress_health_check=tuple(hypothesis.HealthCheck),
    )
    with judged(TARGETS[name], folder) as judge:
        limited()
        for data in corpus:
            judge(data)

        @hypothesis.seed(seed)
        @settings
        @hypothesis.given(changed(corpus))
        def each(data: bytes) -> None:
            judge(data)

        each()
        return Run(judge.executions, judge.slowest_s)


def _seeds(name: str, folder: Path) -> Path:
    """Write what a target is tried from into a folder of its own."""
    from tests.fuzz.corpora import dictionary, known
    from tests.fuzz.targets import TARGETS

    seeds = folder / "seeds"
    for each in (seeds, folder / "corpus"):
        each.mkdir(exist_ok=True)
    inputs = known(TARGETS[name])
    for number, data in enumerate(inputs):
        (seeds / str(number)).write_bytes(data)
    (folder / "words").write_text(dictionary(inputs), encoding="ascii")
    return seeds


def _guided(name: str, folder: Path, more: Sequence[str], inputs: Sequence[Path]) -> Run:
    """Run atheris on one target in a process of its own."""
    from tests.fuzz.judging import LONGEST_S
    from tests.fuzz.targets import TARGETS

    limits = [f"-timeout={LONGEST_S:.0f}", f"-rss_limit_mb={_LIMIT_MB}", "-print_final_stats=1"]
    limits += [f"-max_len={TARGETS[name].longest}", f"-dict={folder / 'words'}"]
    limits.append(f"-artifact_prefix={folder / 'find-'}")
    command = [sys.executable, "-m", "tests.fuzz.guided", name, str(folder)]
    done = subprocess.run(
        [*command, *limits, *more, *map(str, inputs)],
        capture_output=True,
        text=True,
        errors="replace",
        check=False,
    )
    # A crash, a hang, or too much memory has ended it; the input lies there already.
    for each in folder.glob("find-*"):
        why = each.with_suffix(".why")
        if each.suffix != ".why" and not why.exists():
            why.write_text(done.stderr[-3000:], encoding="utf-8")
    if done.returncode and not any(folder.glob("find-*")):
        raise SystemExit(f"{name} cannot be run:\n{done.stderr[-3000:]}")
    counts = {key: int(value) for key, value in _COUNTS.findall(done.stderr)}
    *_, (edges, features, _) = [("0", "0", "0"), *_STATE.findall(done.stderr)]
    slowest = folder / "slowest"
    return Run(
        counts.get("number_of_executed_units", 0),
        float(slowest.read_text("ascii")) if slowest.exists() else 0.0,
        f"{edges} edges and {features} features reached",
        counts.get("peak_rss_mb", 0),
    )


def _keep(name: str, folder: Path) -> None:
    """Keep the fewest inputs that reach all that those of the folder and the kept ones reach."""
    from tests.fuzz.corpora import keep, kept
    from tests.fuzz.targets import TARGETS

    least = folder / "least"
    shutil.rmtree(least, ignore_errors=True)
    least.mkdir()
    seeds = _seeds(name, folder)
    _guided(name, folder, ["-merge=1"], (least, folder / "corpus", seeds))
    target = TARGETS[name]
    given = set(target.corpus())
    found = {each.read_bytes() for each in least.iterdir()} - given
    before = len(kept(target))
    keep(target, found)
    print(f"{name}: {len(found)} inputs, {sum(map(len, found))} bytes; before {before}")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
