"""Whole jobs on seeded virtual drives: how the drives are left, and how true the findings are.

What is true of a drive is taken from the drive itself, beside the job, and never reaches it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from app.analysis.results import Verdict
from app.cli.conduct import conduct
from app.job.job import Job, Kept
from app.job.model import USUAL_CHECKS, CheckName, Entry, JobOptions, Outcome
from app.live.measurement import EnvelopeOptions
from app.profiles import Profile, load_profile
from instruments.virtual.params import VirtualParams
from instruments.virtual.source import VirtualSource
from tests.benchmarks.tables import table

DRIVES = 200
PROFILE = load_profile("130mm-48tpi")
RATE_HZ = 500e3
ZERO_U_UM = 1.0
"""Of the zero of the alignment disk, by its paper."""
_TURNS = {CheckName.SPEED: 25, CheckName.INDEX: 40}
_LONGER = 1.05
"""A measurement is of one turn more, of a spindle that may be slow."""


@dataclass
class Worked:
    """One drive after its job: errors of what was found, each None where there was nothing."""

    params: VirtualParams
    job: Job
    seconds: float
    middle_um: float
    """From where it was to go, by the truth."""
    left_um: tuple[float, float] | None
    """Error of the middle as left, and its U; None where it was not measured."""
    errors: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    wrong: list[Outcome] = field(default_factory=list)
    judged: int = 0
    missing: list[Outcome] = field(default_factory=list)


def params_for(seed: int) -> VirtualParams:
    """Return a drive as the workshop may get it, drawn by its seed."""
    rng = np.random.default_rng(seed)
    return VirtualParams(
        seed=seed,
        rate=RATE_HZ,
        pace="fast",
        offset_um=float(rng.uniform(-150.0, 150.0)),
        backlash_um=float(rng.uniform(0.0, 20.0)),
        clamp_um=5.0,
        creep_um=float(rng.uniform(-15.0, 15.0)),
        snr_db=20.0,
        hum_v=0.05,
        speed_rpm=float(rng.uniform(294.0, 306.0)),
        azimuth_arcmin=float(rng.uniform(-25.0, 25.0)),
        azimuth_side_arcmin=float(rng.uniform(-25.0, 25.0)),
        index_burst_us=float(rng.uniform(80.0, 340.0)),
        side_um=float(rng.uniform(-40.0, 40.0)),
        radial_modulation_percent=float(rng.uniform(0.0, 4.0)),
    )


def disk_for(seed: int) -> tuple[Profile, float]:
    """Return the class with a disk whose paper states a zero, and what its zero truly is."""
    rng = np.random.default_rng((seed, 1))
    stated_um, track = float(rng.uniform(-6.0, 6.0)), PROFILE.alignment_track
    zeros = {"zero_um": (stated_um,) * 2, "zero_u_um": (ZERO_U_UM,) * 2}
    profile = replace(PROFILE, **zeros, zero_tracks=(track, track), zero_heads=(0, 1))
    return profile, float(rng.normal(stated_um, ZERO_U_UM))


def work_on(
    params: VirtualParams,
    checks: Sequence[CheckName] = USUAL_CHECKS,
    options: JobOptions | None = None,
) -> Worked:
    """Have the virtual technician do a job on a drive."""
    source = VirtualSource(params, paced=False)
    source.open()
    profile, zero_um = disk_for(params.seed)
    witness = _Witness(source, zero_um)
    begun_s = time.perf_counter()
    of = (source, profile, EnvelopeOptions())
    job = conduct(*of, checks=checks, options=options, log=witness)
    seconds = time.perf_counter() - begun_s
    # The disk reads its zero where the head is truly on the line.
    middle_um = source.drive.positioner.middle_um - zero_um
    found = job.as_left.offset_um
    worked = Worked(
        params,
        job,
        seconds,
        middle_um - job.target_um,
        None if found is None else (found.value - middle_um, 2.0 * (found.u or 0.0)),
        witness.errors,
        witness.wrong,
        witness.judged,
        witness.missing,
    )
    source.close()
    return worked


class _Witness:
    """Stands beside the job and compares with the drive what is given to be kept."""

    def __init__(self, source: VirtualSource, zero_um: float) -> None:
        self._source = source
        self._zero_um = zero_um
        self.errors: dict[str, list[tuple[float, float]]] = {}
        self.wrong: list[Outcome] = []
        self.missing: list[Outcome] = []
        self.judged = 0
        self._end_s: dict[CheckName, float] = {}

    def keep(self, *kept: Kept) -> None:
        for each in kept:
            if isinstance(each, Entry):
                self._end_s[each.check] = self._source._next / self._source.info.sample_rate_hz
            elif isinstance(each, Outcome):
                self._add_outcome(each)

    def _add_outcome(self, outcome: Outcome) -> None:
        true = self._true_of(outcome)
        if true is None or outcome.verdict is Verdict.SKIPPED:
            return
        if outcome.value is None:
            self.missing.append(outcome)
        else:
            name = f"{outcome.check}"
            self.errors.setdefault(name, []).append((outcome.value - true, outcome.u or 0.0))
        self._judge(outcome, true)

    def close(self, nudges: int, reason: str) -> None:
        pass

    def _judge(self, outcome: Outcome, true: float) -> None:
        limit = outcome.limit
        if limit is None or outcome.verdict not in (Verdict.PASS, Verdict.FAIL):
            return
        self.judged += 1
        within = (limit.low is None or true >= limit.low) and (
            limit.high is None or true <= limit.high
        )
        if within != (outcome.verdict is Verdict.PASS):
            self.wrong.append(outcome)

    def _true_of(self, outcome: Outcome) -> float | None:
        drive = self._source.drive
        end_s = self._end_s.get(outcome.check, 1.0)
        turns = _LONGER * (_TURNS.get(outcome.check, 10) + 1)
        length_s = turns * 60.0 / PROFILE.speed_rpm
        truth = drive.truth(end_s - length_s, end_s)
        match outcome.check:
            case CheckName.RADIAL:
                return truth.offset_um - self._zero_um
            case CheckName.HYSTERESIS:
                return truth.hysteresis_um
            case CheckName.ADJUST:
                return truth.middle_um - self._zero_um
            case CheckName.SPEED:
                return truth.speed_rpm
            case CheckName.AZIMUTH:
                return truth.azimuth_arcmin
            case CheckName.INDEX:
                return truth.index_delay_us
            case _:
                return None


def _share(good: Sequence[bool]) -> str:
    return f"{100.0 * np.mean(good):.1f} %" if len(good) else "–"


def rates(drives: Sequence[Worked]) -> list[tuple[str, str, str, str]]:
    """Return the rows of the table: what, how often, the worst, the target."""

    def row(name: str, check: str, target: float, unit: str, *, or_2u: bool = False) -> tuple:
        found = [error for drive in drives for error in drive.errors.get(check, [])]
        good = [abs(e) <= max(target, 2.0 * u if or_2u else 0.0) for e, u in found]
        worst = max((abs(e) for e, _ in found), default=float("nan"))
        lost = sum(str(each.check) == check for drive in drives for each in drive.missing)
        more = f", {lost} not found" if lost else ""
        return (
            name,
            f"{_share(good)} of {len(good)}{more}",
            f"{worst:.3g} {unit}",
            f"{target:g} {unit}",
        )

    middles = np.array([abs(drive.middle_um) for drive in drives])
    nudges = np.array([drive.job.nudges for drive in drives])
    wrong = sum(len(drive.wrong) for drive in drives)
    judged = sum(drive.judged for drive in drives)
    held = [abs(each.left_um[0]) <= each.left_um[1] for each in drives if each.left_um is not None]
    near = [abs(each.middle_um) <= 5.0 + 2.0 * ZERO_U_UM for each in drives]
    left_open = [not drive.job.closed for drive in drives]
    return [
        ("middle as left, by its own U", f"{_share(held)} of {len(held)}", "", "95 %"),
        (
            "from its aim",
            _share(near),
            f"{middles.max():.2f} µm",
            "95 % within 5 µm and U of the disk's zero",
        ),
        ("nudges and relocks", _share(nudges <= 8), f"{nudges.max()}", "at most 8"),
        row("hysteresis", "hysteresis", 1.0, "µm", or_2u=True),
        row("azimuth", "azimuth", 1.0, "arcmin"),
        row("index to burst", "index", 1.0, "µs"),
        row("speed", "speed", 0.0002 * PROFILE.speed_rpm, "rpm"),
        ("wrong verdicts", f"{wrong} of {judged}", "", "as the guard band allows"),
        ("left open", _share(left_open), "", "for bursts drawn beyond their limits"),
    ]


def report(say: Callable[[str], None], drives: int = DRIVES) -> None:
    """Print the table."""
    worked = []
    for seed in range(drives):
        worked.append(work_on(params_for(seed)))
        if not (seed + 1) % 20 and seed + 1 < drives:
            say(f"{seed + 1} of {drives} drives")
    seconds = np.mean([each.seconds for each in worked])
    title = f"Whole jobs on {drives} virtual drives, {seconds:.1f} s each"
    say(table(title, ("what", "within", "worst", "target"), rates(worked)))
    for drive in worked:
        for outcome in drive.wrong:
            say(f"seed {drive.params.seed}: wrong {outcome.check} {outcome.stage} {outcome.value}")
