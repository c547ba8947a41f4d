"""Whole jobs on seeded virtual drives: how the drives are left, and how true the findings are.

What is true of a drive is taken from the drive itself, beside the job, and never reaches it.
"""

from __future__ import annotations

import multiprocessing
import pickle
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from scipy.stats import binomtest

from app.analysis.results import Verdict
from app.cli.conduct import conduct
from app.job.budget import film_of
from app.job.job import Job, Kept
from app.job.model import (
    ROOM,
    USUAL_CHECKS,
    CheckName,
    Entry,
    JobOptions,
    Outcome,
    Stage,
)
from app.job.technician import Technician
from app.job.verdicts import offset_limit
from app.live.measurement import EnvelopeOptions
from app.profiles import Profile, load_profile
from instruments.virtual.drive import VirtualDrive
from instruments.virtual.params import VirtualParams
from instruments.virtual.source import VirtualSource
from tests.benchmarks.tables import table

DRIVES = 200
PROCESSES = 2
PROFILE = load_profile("130mm-48tpi")
RATE_HZ = 400e3
"""As few as let noise move a burst's start by no more than is promised of it."""
ZERO_U_UM = 1.0
"""Of the zero of the alignment disk, by its paper."""
_TURNS = {CheckName.SPEED: 25, CheckName.INDEX: 40}
_LONGER = 1.05
"""A measurement is of one turn more, of a spindle that may be slow."""
_FROM_AIM_UM = 5.0 + 2.0 * ZERO_U_UM
_CENTRED_UM = 10.0
_MOST_NUDGES = 8
_RISK = 0.025
"""Of a verdict: U covers 95 %, and one side of it alone is beyond the limit."""
_LEAST_CHANCE = 0.01
"""Of so many wrong verdicts or more at that risk: a one-sided test at 99 %."""


@dataclass(frozen=True, slots=True)
class Weather:
    """The climate that a job is done in.

    Attributes
    ----------
    said : tuple of (str, float)
        What thermometers and hygrometer say, by what the job asks for.
    shift_um : float
        By how much farther outward the head would truly read in the climate of the certificate.
    """

    said: tuple[tuple[str, float], ...] = ()
    shift_um: float = 0.0


@dataclass
class Worked:
    """One drive after its job: errors of what was found, each None where there was nothing."""

    params: VirtualParams
    warm: bool
    nudges: int
    middles_um: tuple[float, float]
    """Of both heads, from the disk's zero, by the truth."""
    middle_um: float
    """Of head 0, from where it was to go, by the truth: the disk's zero, or, where the job told
    that it aims for the middle of both heads, half of what they truly differ by beside it."""
    left_um: tuple[float, float] | None
    """Error of the middle as left, and its U; None where it was not measured."""
    errors: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    wrong: list[Outcome] = field(default_factory=list)
    judged: int = 0
    missing: list[Outcome] = field(default_factory=list)
    rightly_open: list[Outcome] = field(default_factory=list)
    """Failures that a job was left open for, and that the drive truly has."""
    else_open: list[Outcome] = field(default_factory=list)
    """All others that it was left open for."""


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
        spindle_modulation_percent=float(rng.uniform(0.0, 4.0)),
    )


@dataclass(frozen=True, slots=True)
class Certified:
    """In what climate a disk was certified, and whether its paper says so."""

    c: float
    percent: float
    is_stated: bool


def certified_for(seed: int) -> Certified:
    """Return the climate of a disk's certificate: anything that the standards allow."""
    drawn = np.random.default_rng((seed, 4)).uniform((21.0, 40.0), (25.0, 60.0)).tolist()
    return Certified(*drawn, is_stated=seed % 4 == 1)


def disk_for(seed: int) -> tuple[Profile, float]:
    """Return the class with a disk whose paper states a zero, and what its zero truly is.

    That is what a head on the line reads by it, the disk's own modulation with it.
    """
    rng = np.random.default_rng((seed, 1))
    stated_um, track = float(rng.uniform(-6.0, 6.0)), PROFILE.alignment_track
    zeros = {"zero_um": (stated_um,) * 2, "zero_u_um": (ZERO_U_UM,) * 2}
    profile = replace(PROFILE, **zeros, zero_tracks=(track, track), zero_heads=(0, 1))
    zero_um = float(rng.normal(stated_um, ZERO_U_UM))
    certified = certified_for(seed)
    if certified.is_stated:
        # A laboratory's thermometer is within a kelvin, and its hygrometer has a u of 2 %.
        profile = replace(
            profile,
            certificate_temperature_c=certified.c + float(rng.uniform(-1.0, 1.0)),
            certificate_percent=certified.percent + float(rng.normal(0.0, 2.0)),
        )
    return profile, zero_um


def weather_for(seed: int) -> Weather:
    """Return the climate of a job: that of the standards' tests, or a warm drive in a dry room.

    What is true is drawn about what the program takes it for, by the spreads that it states.
    """
    if seed % 2 == 0:
        return Weather()
    rng = np.random.default_rng((seed, 2))
    room_c, warmer_k, percent = rng.uniform((18.0, 0.0, 25.0), (30.0, 10.0, 45.0))
    film_c = room_c + rng.uniform(0.4, 1.0) * warmer_k
    certified = certified_for(seed)
    film_ppm = PROFILE.thermal_ppm_per_k * rng.uniform(0.85, 1.15) * (film_c - certified.c)
    wet_part = rng.uniform(0.65, 1.35) * (percent - certified.percent)
    chassis_ppm = rng.normal(23.0, 1.0) * (room_c + warmer_k - 23.0)
    ppm = film_ppm + PROFILE.humidity_ppm_per_percent * wet_part - chassis_ppm
    # Thermometers are within a kelvin, hygrometers within 5 %.
    off_room, off_chassis, off_percent = rng.uniform(-1.0, 1.0, 3) * (1.0, 1.0, 5.0)
    said = {
        "room temperature": room_c + off_room,
        "chassis temperature": room_c + warmer_k + off_chassis,
        "relative humidity": percent + off_percent,
    }
    # A millionth of a millimetre is a thousandth of a micrometre.
    return Weather(tuple(said.items()), float(1e-3 * PROFILE.alignment_radius_mm * ppm))


def work_on(
    params: VirtualParams,
    checks: Sequence[CheckName] = USUAL_CHECKS,
    options: JobOptions | None = None,
    weather: Weather = Weather(),
) -> tuple[Worked, Job]:
    """Have the virtual technician do a job on a drive."""
    source = VirtualSource(params, paced=False)
    source.open()
    profile, zero_um = disk_for(params.seed)
    # The disk reads its zero where the head is truly on the line, in the climate of its paper.
    zero_um -= weather.shift_um + _own_um(params)
    witness = _Witness(source, zero_um)
    job = conduct(
        source,
        profile,
        EnvelopeOptions(),
        checks=checks,
        options=options,
        log=witness,
        technician=Technician(source.controls, dict(weather.said)),
    )
    middle_um = source.drive.positioner.middle_um - zero_um
    source.close()
    goal_um = 0.0 if job.target_um == job.aim.um else -params.side_um / 2.0
    found = job.as_left.offset_um
    rightly = [each for each in job.open_failures if each in witness.rightly_failed]
    worked = Worked(
        params,
        warm=bool(weather.said),
        nudges=job.nudges,
        middles_um=(middle_um, middle_um + params.side_um),
        middle_um=middle_um - goal_um,
        left_um=None if found is None else (found.value - middle_um, 2.0 * (found.u or 0.0)),
        errors=witness.errors,
        wrong=witness.wrong,
        judged=witness.judged,
        missing=witness.missing,
        rightly_open=rightly,
        else_open=[each for each in job.open_failures if each not in rightly],
    )
    return worked, job


def centred_um(seed: int) -> float:
    """Return how far a head is left from the middle of an ordinary track; nan where it is not."""
    rng = np.random.default_rng((seed, 3))
    params = replace(
        params_for(seed),
        recording="track",
        track_um=float(rng.uniform(155.0, 300.0)),
        radial_modulation_percent=0.0,
        spindle_modulation_percent=0.0,
    )
    source = VirtualSource(params, paced=False)
    source.open()
    job = conduct(source, PROFILE, EnvelopeOptions(), checks=(CheckName.CENTRE,))
    end_um = source.drive.positioner.offset_um
    source.close()
    return end_um if job.closed and job.outcomes[-1].value is not None else float("nan")


@dataclass(frozen=True, slots=True)
class Done:
    """What came of one seed: a drawn drive's job, and another that was centred by a track.

    Attributes
    ----------
    processor_s : float
        What both took.
    """

    worked: Worked
    centred_um: float
    processor_s: float


def work_by_seed(seed: int) -> Done:
    """Do both jobs of a seed."""
    begun_s = time.process_time()
    worked, _ = work_on(params_for(seed), weather=weather_for(seed))
    away_um = centred_um(seed)
    return Done(worked, away_um, time.process_time() - begun_s)


class _Witness:
    """Stands beside the job and compares with the drive what is given to be kept."""

    def __init__(self, source: VirtualSource, zero_um: float) -> None:
        self._source = source
        self._zero_um = zero_um
        self.errors: dict[str, list[tuple[float, float]]] = {}
        self.wrong: list[Outcome] = []
        self.rightly_failed: list[Outcome] = []
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
        elif not within:
            self.rightly_failed.append(outcome)

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
    return f"{100.0 * np.mean(good):.1f} % of {len(good)}" if len(good) else "–"


def _own_u(drives: Sequence[Worked]) -> str:
    found = [each.left_um for each in drives if each.left_um is not None]
    return _share([abs(error) <= expanded for error, expanded in found])


def _near(
    drives: Sequence[Worked], name: str, u_um: float = ZERO_U_UM
) -> tuple[str, str, str, str]:
    away_um = [abs(each.middle_um) for each in drives]
    worst = f"{max(away_um, default=0.0):.2f} µm"
    most_um = _FROM_AIM_UM + 2.0 * (u_um - ZERO_U_UM)
    return (
        name,
        _share([each <= most_um for each in away_um]),
        worst,
        f"95 % within {most_um:.1f} µm",
    )


def _spread(name: str, drives: Sequence[Worked]) -> tuple[str, str, str, str]:
    """Return how far from their aim drives are left: by what a job saw, and what it did not."""
    left = [each for each in drives if each.left_um is not None]
    away_um = np.array([each.middle_um for each in left])
    unseen_um = np.array([each.left_um[0] for each in left if each.left_um is not None])
    parts = [f"{np.std(each):.1f}" for each in (away_um, away_um + unseen_um, unseen_um)]
    words = "{} µm: {} as it saw, {} as it erred".format(*parts) if left else "–"
    return name, words, "", "as they are drawn"


def _unstated_u_um() -> float:
    """Return u of a disk's zero whose paper does not say in what climate that was found."""
    film = film_of(PROFILE)
    grown_ppm = np.hypot(
        PROFILE.thermal_ppm_per_k * film.certified_c.u,
        PROFILE.humidity_ppm_per_percent * film.certified_percent.u,
    )
    return float(np.hypot(ZERO_U_UM, 1e-3 * PROFILE.alignment_radius_mm * grown_ppm))


def _own_um(params: VirtualParams) -> float:
    """Return the offset that the disk's own modulation makes of a head on the line."""
    even = {"offset_um": 0.0, "backlash_um": 0.0, "clamp_um": 0.0, "oval_um": 0.0}
    even["spindle_modulation_percent"] = 0.0
    truth = VirtualDrive(replace(params, **even)).truth(0.0, 1.0)
    return truth.scale_um * (truth.balance or 0.0)


def _both_heads(drives: Sequence[Worked]) -> tuple[str, str, str, str]:
    """Return how often both heads are within their limit, where one place leaves them so."""
    half_um = offset_limit(PROFILE, final=True).high or 0.0
    can = [each for each in drives if abs(each.params.side_um) / 2.0 <= half_um - _FROM_AIM_UM]
    within = [max(map(abs, each.middles_um)) <= half_um for each in can]
    most_um = max((abs(each.params.side_um) for each in can), default=0.0)
    name = f"both heads in limits, up to {most_um:.0f} µm apart"
    return name, _share(within), "", "95 %"


def _wrong_verdicts(drives: Sequence[Worked]) -> tuple[str, str, str, str]:
    wrong = sum(len(each.wrong) for each in drives)
    judged = sum(each.judged for each in drives)
    chance = binomtest(wrong, judged, _RISK, "greater").pvalue if judged else 1.0
    target = f"chance of so many at a risk of {100.0 * _RISK:g} % not below {_LEAST_CHANCE:g}"
    return "wrong verdicts", f"{wrong} of {judged}", f"chance {chance:.2g}", target


def _why_open(drives: Sequence[Worked]) -> list[tuple[str, str, str, str]]:
    """Return by what the drives were left open that no nudge mends; one may have several."""
    counts = Counter(
        words for each in drives for words in dict.fromkeys(map(_fault, each.rightly_open))
    )
    return [
        (f"– by {words}", f"{count} of {len(drives)}", "", "as they are drawn")
        for words, count in counts.most_common()
    ]


def _fault(outcome: Outcome) -> str:
    room = outcome.detail(ROOM)
    if room is not None and room.value < 0.0:
        return "heads farther apart than both may be"
    stage = " as found" if outcome.stage is Stage.AS_FOUND else ""
    return f"{outcome.check} of head {outcome.side}{stage}"


def rates(drives: Sequence[Worked], centred: Sequence[float]) -> list[tuple[str, str, str, str]]:
    """Return the rows of the table: what, how often, the worst, the target."""

    def row(name: str, check: str, target: float, unit: str, *, or_2u: bool = False) -> tuple:
        found = [error for drive in drives for error in drive.errors.get(check, [])]
        good = [abs(e) <= max(target, 2.0 * u if or_2u else 0.0) for e, u in found]
        worst = max((abs(e) for e, _ in found), default=float("nan"))
        lost = sum(str(each.check) == check for drive in drives for each in drive.missing)
        more = f", {lost} not found" if lost else ""
        return name, f"{_share(good)}{more}", f"{worst:.3g} {unit}", f"{target:g} {unit}"

    warm = [each for each in drives if each.warm]
    usual = [each for each in drives if not each.warm]
    stated = [each for each in warm if certified_for(each.params.seed).is_stated]
    unstated = [each for each in warm if each not in stated]
    nudges = [each.nudges for each in drives]
    left_open = [bool(each.rightly_open) and not each.else_open for each in drives]
    unexplained = [bool(each.else_open) for each in drives]
    apart_um = [abs(each) for each in centred]
    return [
        ("middle as left, by its own U", _own_u(usual), "", "95 %"),
        ("so in a warm drive and a dry room", _own_u(warm), "", "95 %"),
        _near(usual, "from its aim"),
        _spread("– its standard deviation", usual),
        _near(stated, "so in a warm drive and a dry room"),
        _spread("– its standard deviation there", stated),
        _near(unstated, "so by a paper that tells no climate", _unstated_u_um()),
        _both_heads(drives),
        (
            "centred on an ordinary track",
            _share([each <= _CENTRED_UM for each in apart_um]),
            f"{np.nanmax(apart_um):.2f} µm",
            f"95 % within {_CENTRED_UM:g} µm",
        ),
        (
            "nudges and relocks",
            _share([each <= _MOST_NUDGES for each in nudges]),
            f"{max(nudges)}",
            "≤ 8",
        ),
        row("hysteresis", "hysteresis", 1.0, "µm", or_2u=True),
        row("azimuth", "azimuth", 1.0, "arcmin"),
        row("index to burst", "index", 1.0, "µs"),
        row("speed", "speed", 0.0002 * PROFILE.speed_rpm, "rpm"),
        _wrong_verdicts(drives),
        ("left open for what they have", _share(left_open), "", "as they are drawn"),
        *_why_open(drives),
        ("left open for anything else", _share(unexplained), "", "each is told below"),
    ]


def report(
    say: Callable[[str], None],
    drives: int = DRIVES,
    processes: int = PROCESSES,
    kept: Path | None = None,
) -> None:
    """Print the table.

    Where a file is named, each drive joins it as soon as it is done, and those that it has are not
    done again: a run that was stopped goes on.
    """
    done = dict(_kept_in(kept))
    missing = [seed for seed in range(drives) if seed not in done]
    with ProcessPoolExecutor(processes, multiprocessing.get_context("spawn")) as pool:
        for seed, each in zip(missing, pool.map(work_by_seed, missing), strict=True):
            done[seed] = each
            _keep(kept, seed, each)
            if not (seed + 1) % 20 and seed + 1 < drives:
                say(f"{seed + 1} of {drives} drives")
    found = [done[seed] for seed in range(drives)]
    processor_s = np.mean([each.processor_s for each in found])
    title = f"Whole jobs on {drives} virtual drives, {processor_s:.1f} s of a processor each"
    rows = rates([each.worked for each in found], [each.centred_um for each in found])
    say(table(title, ("what", "within", "worst", "target"), rows))
    for each in found:
        for told in _outliers(each):
            say(f"seed {each.worked.params.seed}: {told}")


def _kept_in(path: Path | None) -> Iterator[tuple[int, Done]]:
    """Yield what a file has of drives that were done, by their seeds."""
    if path is None or not path.exists():
        return
    with path.open("rb") as file:
        while file.peek(1):
            yield pickle.load(file)


def _keep(path: Path | None, seed: int, done: Done) -> None:
    if path is not None:
        with path.open("ab") as file:
            pickle.dump((seed, done), file)


def _outliers(done: Done) -> Iterator[str]:
    """Yield in words what of a drive falls short of a target."""
    drive = done.worked
    if drive.left_um is not None and abs(drive.left_um[0]) > drive.left_um[1]:
        yield "middle as left is off by {:+.1f} µm, its U is {:.1f}".format(*drive.left_um)
    if abs(drive.middle_um) > _FROM_AIM_UM:
        yield f"left {drive.middle_um:+.1f} µm from its aim"
    if drive.nudges > _MOST_NUDGES:
        yield f"{drive.nudges} nudges and relocks"
    if not abs(done.centred_um) <= _CENTRED_UM:
        yield f"centred {done.centred_um:+.1f} µm off an ordinary track"
    for outcome in drive.wrong:
        yield f"wrong {_named(outcome)}"
    for outcome in drive.else_open:
        yield f"left open by {_named(outcome)}: {outcome.reason}"


def _named(outcome: Outcome) -> str:
    value = "" if outcome.value is None else f" {outcome.value:.1f} {outcome.unit}"
    return f"{outcome.check} side {outcome.side} {outcome.stage} {outcome.verdict}{value}"
