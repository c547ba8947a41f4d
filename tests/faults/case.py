"""One case: a source, a fault, a seed; run through the whole program, and judged."""

from __future__ import annotations

import tempfile
import traceback
import zlib
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import count
from math import inf
from pathlib import Path
from unittest.mock import patch

import numpy as np

from app import faults
from app.analysis.results import Reading
from app.job.job import Job
from app.job.model import CheckName, Do, Stage
from app.job.plan import Planned
from app.live import capture_play as play_module
from app.live import runner as runner_module
from app.live import session as session_module
from app.live.measurement import EnvelopeOptions
from app.live.runner import JobRunner
from app.live.session import Session
from app.live.view import View
from app.profiles import Profile, load_profile
from app.stream import acquisition as acquisition_module
from app.stream import ring as ring_module
from app.stream.acquisition import Phase, Timing
from tests.app.job.hands import Kept, ScriptedDrive
from tests.faults.faults import FAULTS
from tests.faults.outside import BENCHES, CARRIER_HZ, RPM, Bench
from tests.faults.world import World, injected
from tests.hunt.judge import RATIO_FLOOR, SPEED_FLOOR_RPM, WRONG_U

_LOOK_S = 0.02
_AFTER_S = 3.0
"""So long after the fault's end the needle is watched."""
_LONGEST_S = 12.0
_BACK_S = 0.45
"""A reading is of the newest two turns: what was true of them may be shown."""
_PARKED_S = 0.35
"""A needle parks within 0.3 s; the rest is the blocks' and the looks'."""
_BACK_AGAIN_S = 2.0
"""A source that is gone is tried each second, and another is what it takes to read."""
_FROM_IT_S = 1.0
_MODULES = (session_module, play_module, acquisition_module, ring_module, runner_module)


@dataclass(frozen=True, slots=True)
class Key:
    """What names one case for good."""

    kind: str
    fault: str
    seed: int
    number: int

    def __str__(self) -> str:
        return (
            f"python -m tests.faults --kind {self.kind} --fault {self.fault} "
            f"--seed {self.seed} --case {self.number}"
        )


@dataclass(slots=True)
class Outcome:
    """What came of a case.

    Attributes
    ----------
    parked_s : float or None
        From the cause to where no valid reading was shown; None where one was all the while.
    back_s : float or None
        From where all was well again outside to the first valid reading after it.
    said : str
        The first reason, or the sentence about the source.
    job : str
        What came of the measurement that a job had asked for.
    faults : list of str
        What is wrong: empty where nothing is.
    shown : list of (float, str)
        When the screen changed, and to what.
    """

    key: Key
    parked_s: float | None = None
    back_s: float | None = None
    said: str = ""
    job: str = ""
    faults: list[str] = field(default_factory=list)
    shown: list[tuple[float, str]] = field(default_factory=list)


@cache
def profile() -> Profile:
    """Return a class of drive that fits what is on the bench."""
    base = load_profile("130mm-48tpi")
    density = base.density_ftprad * CARRIER_HZ / base.carrier_hz
    return replace(
        base, density_ftprad=round(density, -2), geometry="two-band", pairs=None, calibrated=True
    )


class _AtWork:
    """A job at its first measurement, of the radial offset."""

    def __init__(self, session: Session, bench: Bench, from_s: float) -> None:
        plan = [Planned(CheckName.RADIAL, Stage.AS_FOUND)]
        ticks = count()
        self._job = Job(
            profile(),
            bench.kind == "sim",
            plan=plan,
            now=lambda: f"2026-03-01T10:00:00.{next(ticks):06d}+00:00",
            log=Kept(),
            source=f"{bench.kind}:",
        )
        self._runner = JobRunner(self._job, session)
        self._bench = bench
        self._from_s = from_s
        self._given_up = 0
        self.wrong = ""
        self.told = ""
        while isinstance(self._job.ask, Do):
            self._runner.answer(ScriptedDrive().answer(self._job.ask))

    def go_on(self, now_s: float) -> None:
        """Ask for what the job wants, and take what comes."""
        if now_s < self._from_s or self._job.ask is None:
            return
        obstacle = self._runner.measure()
        if obstacle is not None:
            # Another source than the job began with; the hand says that it is the same drive.
            self._runner.accept_change()
            return
        progress = self._runner.poll()
        if progress is None:
            return
        if progress.fault:
            self._given_up += 1
            self.told = f"asks again: {progress.fault}"
            self._from_s = now_s + 0.5
        if progress.measurement is not None:
            reading = progress.measurement.reading
            if reading is not None and reading.valid:
                self.wrong = judged(reading, self._bench, self._from_s, now_s)
                self.told = "measured"
            else:
                self.told = f"no value: {progress.measurement.problem}"

    @property
    def summary(self) -> str:
        """What came of it."""
        again = f", at attempt {self._given_up + 1}" if self._given_up else ""
        return (self.told or "waits") + (again if self.told == "measured" else "")


def run(key: Key) -> Outcome:
    """Run a case and judge it."""
    outcome = Outcome(key)
    words = f"{key.kind} {key.fault}".encode()
    rng = np.random.default_rng([key.seed, zlib.crc32(words), key.number])
    with (
        tempfile.TemporaryDirectory(prefix="evenlobe-faults-") as folder,
        np.errstate(all="ignore"),
    ):
        world = World()
        bench = BENCHES[key.kind](world, rng, Path(folder))
        kept = Path(folder) / "own" / "faults"
        try:
            with ExitStack() as stack:
                # Faults of the program are found here, and not among the user's own.
                stack.enter_context(patch.object(faults, "faults_folder", lambda: kept))
                stack.enter_context(patch.object(faults, "_kept", {}))
                for where, name, thing in bench.patches():
                    stack.enter_context(patch.object(where, name, thing))
                timing = Timing(clock=world.monotonic)
                acquisition = acquisition_module.Acquisition
                stack.enter_context(
                    patch.object(
                        session_module,
                        "Acquisition",
                        lambda source, **of: acquisition(source, **of, timing=timing),
                    )
                )
                stack.enter_context(injected(world, (*_MODULES, *bench.modules())))
                _watch(outcome, world, bench)
        except Exception:
            outcome.faults.append(f"crash: {traceback.format_exc(limit=-3)}")
        for path in kept.glob("*"):
            outcome.faults.append(f"a fault of the program: {path.read_text(encoding='utf-8')}")
    return outcome


def _watch(outcome: Outcome, world: World, bench: Bench) -> None:
    fault = FAULTS[outcome.key.fault]
    done = fault.done[outcome.key.kind]
    start_s = float(bench.rng.uniform(1.2, 2.5))
    if fault.is_there_before or not bench.is_live:
        start_s = 0.0
    begun_s = world.now_s
    broken: list[str] = []

    def outside() -> None:
        try:
            world.sleep(start_s)
            done(bench)
        except Exception:
            broken.append(traceback.format_exc())

    world.Thread(target=outside, name="outside-fault").start()
    world.sleep(0.0)
    bench.start()
    options = EnvelopeOptions(0.0, 0.0) if "envelope" in bench.roles else None
    session = Session(profile(), options, lambda *_: bench.source())
    session.open(f"{bench.kind}:")
    job = _AtWork(session, bench, begun_s + float(bench.rng.uniform(0.5, 4.0)))
    seen = _Seen(outcome, bench, begun_s)
    steps = 0
    while steps * _LOOK_S < _LONGEST_S and not _is_watched(bench, world.now_s):
        world.sleep(_LOOK_S)
        steps += 1
        seen.look(session.view(), world.now_s)
        job.go_on(world.now_s)
    if session.error is not None and not _is_a_sentence(session.error):
        outcome.faults.append(f"crash: {session.error!r}")
    session.close()
    outcome.job = job.summary
    outcome.faults += [f"the job took {job.wrong}"] * bool(job.wrong)
    outcome.faults += [f"the campaign itself: {each}" for each in broken]
    left = [each for each in world.running() if not each.startswith("outside")]
    outcome.faults += [f"threads left: {', '.join(left)}"] * bool(left)
    seen.conclude(fault.takes_away, fault.is_for_good)


def _is_watched(bench: Bench, now_s: float) -> bool:
    return bench.over_s is not None and now_s > bench.over_s + _AFTER_S


def _is_a_sentence(fault: Exception) -> bool:
    from instruments.source import SourceError

    return isinstance(fault, SourceError)


class _Seen:
    """What the screen has shown."""

    def __init__(self, outcome: Outcome, bench: Bench, begun_s: float) -> None:
        self._outcome = outcome
        self._bench = bench
        self._begun_s = begun_s
        self._was_valid = False
        self._last = ""

    def look(self, view: View, now_s: float) -> None:
        """Take what the screen shows."""
        outcome, bench = self._outcome, self._bench
        reading = view.reading
        valid = reading is not None and reading.valid
        self._note(view, reading, now_s)
        if valid and reading is not None:
            wrong = judged(reading, bench, view.reading_at_s - _BACK_S, view.reading_at_s)
            if wrong and not any(each.startswith("valid") for each in outcome.faults):
                at_s = now_s - self._begun_s
                outcome.faults.append(f"valid and wrong at {at_s:.2f} s: {wrong}")
        if valid:
            self._take_back(now_s)
        else:
            self._take_parked(view, now_s)

    def _take_parked(self, view: View, now_s: float) -> None:
        cause_s, over_s, outcome = self._bench.cause_s, self._bench.over_s, self._outcome
        if cause_s is None or now_s <= cause_s or outcome.parked_s is not None:
            return
        # What parks long after the fault has another reason.
        if over_s is None or now_s < over_s + _FROM_IT_S:
            outcome.parked_s = now_s - cause_s
            outcome.said = words_of(view)

    def _take_back(self, now_s: float) -> None:
        over_s, outcome = self._bench.over_s, self._outcome
        if over_s is not None and now_s >= over_s and outcome.parked_s is not None:
            outcome.back_s = outcome.back_s or now_s - over_s

    def _note(self, view: View, reading: Reading | None, now_s: float) -> None:
        words = "valid" if reading is not None and reading.valid else words_of(view)
        if view.phase is not Phase.RUNNING:
            words = f"{view.phase}: {words}"
        if words != self._last:
            self._outcome.shown.append((now_s - self._begun_s, words))
        self._last = words

    def conclude(self, takes_away: bool, is_for_good: bool) -> None:
        """Say what came too late."""
        outcome, bench = self._outcome, self._bench
        if bench.cause_s is None or not bench.is_live:
            return
        lasts_s = inf if bench.over_s is None else bench.over_s - bench.cause_s
        parks = takes_away and lasts_s > _PARKED_S
        if parks and (outcome.parked_s is None or outcome.parked_s > _PARKED_S):
            outcome.faults.append(f"parked late: {outcome.parked_s}")
        comes_back = bench.over_s is not None and not is_for_good and outcome.parked_s is not None
        if comes_back and (outcome.back_s is None or outcome.back_s > _BACK_AGAIN_S):
            outcome.faults.append(f"back late: {outcome.back_s}")


def words_of(view: View) -> str:
    """Return why no valid reading is shown: of the source, or the first reason."""
    if view.message:
        return view.message
    if view.reading is None or not view.reading.reasons:
        return "nothing"
    return str(view.reading.reasons[0])


def judged(reading: Reading, bench: Bench, from_s: float, until_s: float) -> str:
    """Return what is wrong with a valid reading of such a stretch of time, else nothing."""
    true = [each.ratio for each in _within(bench, from_s, until_s)]
    known = [each for each in true if each is not None]
    ratio, speed = reading.ratio, reading.speed_rpm
    if not known:
        return "a valid reading of what is no signal"
    if ratio is None:
        return ""
    error = ratio.value - min(max(ratio.value, min(known)), max(known))
    if abs(error) > RATIO_FLOOR and abs(error) > WRONG_U * ratio.u:
        return f"a ratio of {ratio.value:.4f} ± {ratio.u:.4f} where it is {known}"
    if speed is not None and bench.tells_speed:
        error = speed.value - RPM
        if abs(error) > SPEED_FLOOR_RPM and abs(error) > WRONG_U * speed.u:
            return f"a speed of {speed.value:.3f} ± {speed.u:.3f} rpm where it is {RPM:g}"
    return ""


def _within(bench: Bench, from_s: float, until_s: float) -> list:
    ends = [each.from_s for each in bench.truth[1:]] + [inf]
    return [
        each
        for each, end_s in zip(bench.truth, ends, strict=True)
        if end_s > from_s and each.from_s <= until_s
    ]
