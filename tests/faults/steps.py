"""Faults of the line that steps the drive, in the midst of a job; by a clock nobody waits for.

The device is written from the page of the command ``steps``: its words and the seconds within
which each is answered. It has a carriage, which is where it is, and says where it is, which are
two things. The lobes are there where the carriage is on the track of the alignment disk.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import ExitStack
from unittest.mock import patch

import numpy as np
from numpy.random import Generator

from app.analysis.messages import NO_CARRIER
from app.analysis.results import Measurement, Reading
from app.job.job import Job
from app.job.model import CheckName, Do, Measure, Stage
from app.job.plan import Planned
from app.live import stepping as stepping_module
from app.live.measurement import MeasurementProgress, MeasurementRequest
from app.live.runner import JobRunner
from app.live.stepping import Stepping
from instruments.source import SourceLost, SourceUnavailable
from instruments.steps import line as line_module
from instruments.steps.line import StepsLine
from instruments.steps.link import StepLink
from tests.app.dashboard.fakes import parked, reading
from tests.app.job.hands import ScriptedDrive, job_on
from tests.faults.case import Key, Outcome
from tests.faults.world import World, injected

KIND = "steps"
_ADDRESS = "serial:/dev/ttyACM0"
_LAST = 39
_LOOK_S = 0.1
_HAND_S = 1.0
"""From when something is asked of the hand to when it says that it has done it."""
_LONGEST_S = 300.0
_TOLD_S = 0.5
"""Beyond the seconds within which the answer is due: until the job knows that it was none."""
_SEEN_S = 25.0
"""The same where only the lobes can tell."""
_WITHIN_S = {"hello": 6.0, "motor": 5.0, "head": 2.0, "seek": 10.0, "where": 2.0}


def within_s(words: str) -> float:
    """Return within how many seconds a command is to be answered."""
    name, *rest = words.split()
    return 2.0 + int(rest[1]) / int(rest[2]) if name == "step" else _WITHIN_S[name]


class Device(StepLink):
    """What steps the drive, at the other end of the line; one of its answers is spoilt.

    Attributes
    ----------
    track, came : int
        Where the carriage is, and which way it went there: inward 1, outward -1.
    head, motor : int, str
        Which head is selected, and whether the motor is on.
    told : int or None
        The track by what it says.
    spoilt : str
        The command at which the fault came; empty before.
    """

    def __init__(
        self, world: World, rng: Generator, spoil: Spoil, strikes: int, spared: tuple[str, ...]
    ) -> None:
        self.world, self.rng = world, rng
        self.track, self.came, self.head, self.motor = int(rng.integers(_LAST + 1)), 1, 0, "off"
        self.told: int | None = None
        self.spoilt, self.spoilt_s = "", 0.0
        self.stays_dead = self.is_dead = False
        self._spoil, self._left, self._spared = spoil, strikes, spared
        self._due: list[tuple[float, bytes]] = []

    def connect(self) -> StepLink:
        """Open the port."""
        if self.is_dead and self.stays_dead:
            raise SourceUnavailable("port “/dev/ttyACM0” cannot be opened (No such file)")
        self.is_dead = False
        return self

    def send(self, data: bytes) -> None:
        """Take a command."""
        if self.is_dead:
            raise SourceLost("the port cannot be written (Input/output error)")
        words = data.decode("ascii").strip()
        self._left -= words != "hello"
        if self._left <= 0 and not self.spoilt and words.split()[0] not in self._spared:
            self.spoilt, self.spoilt_s = words, self.world.now_s
            self._spoil(self, words)
        else:
            self.say(*self.do(words))

    def do(self, words: str) -> tuple[str, float]:
        """Do a command; return the answer and how long it takes."""
        seconds = 0.01
        if words == "hello":
            self.told = None
            return "evenlobe steps 1", seconds
        if found := re.fullmatch(r"seek (\d+)", words):
            if self.told is None:
                self.go(-self.track)
            seconds = 0.8
            self.go(int(found[1]) - (self.told or 0))
            self.told = int(found[1])
        elif found := re.fullmatch(r"step (in|out) (\d+) (\d+)", words):
            by = int(found[2]) * (1 if found[1] == "in" else -1)
            if self.told is None:
                return "no the track is not known", seconds
            seconds = abs(by) / int(found[3])
            self.go(by)
            self.told += by
        elif found := re.fullmatch(r"head ([01])", words):
            self.head = int(found[1])
        elif found := re.fullmatch(r"motor (on|off)", words):
            self.motor, seconds = found[1], 0.6
        return self.state(), seconds

    def go(self, by: int) -> None:
        """Move the carriage, as far as its stops."""
        self.track = min(max(self.track + by, 0), _LAST)
        self.came = 1 if by > 0 else -1 if by < 0 else self.came

    def state(self) -> str:
        """Return the answer that tells how all stands."""
        track = "?" if self.told is None else self.told
        return f"ok track {track} head {self.head} motor {self.motor}"

    def say(self, words: str | bytes, after_s: float = 0.01) -> None:
        """Let a line, or bytes, come after a while."""
        data = words if isinstance(words, bytes) else f"{words}\n".encode()
        self._due.append((self.world.now_s + after_s, data))

    def die(self) -> None:
        """Be pulled."""
        self.is_dead, self._due = True, []

    def receive(self, timeout_s: float) -> bytes:
        """Return what has come."""
        until_s = self.world.now_s + timeout_s
        while True:
            if self.is_dead:
                raise SourceLost("the port cannot be read (Input/output error)")
            now_s = self.world.now_s
            come = [each for each in self._due if each[0] <= now_s]
            if come or now_s >= until_s:
                self._due = [each for each in self._due if each not in come]
                return b"".join(data for _, data in come)
            next_s = min([until_s, *(at_s for at_s, _ in self._due)])
            self.world.sleep(next_s - now_s)

    def close(self) -> None:
        """Close the port; what is on its way comes all the same."""


Spoil = Callable[[Device, str], None]


def _is_lied_of(device: Device, words: str) -> None:
    """Nothing is done, and it says that all is."""
    track, came, motor = device.track, device.came, device.motor
    device.say(*device.do(words))
    device.track, device.came, device.motor = track, came, motor


def _goes_elsewhere(device: Device, words: str) -> None:
    """It steps once too often, and says what was asked."""
    device.say(*device.do(words))
    device.go(1 if device.track < _LAST else -1)


def _moves_unasked(device: Device, words: str) -> None:
    """It moves besides, and says so."""
    device.do(words)
    by = 1 if device.track < _LAST else -1
    device.go(by)
    device.told = device.track
    device.say(device.state())


def _says_another(device: Device, words: str) -> None:
    """It does what was asked, and tells of another track."""
    answer, seconds = device.do(words)
    device.say(re.sub(r"track \S+", f"track {int(device.rng.integers(100, 256))}", answer), seconds)


def _is_late(device: Device, words: str) -> None:
    """The answer is right, and comes after its time."""
    answer, _ = device.do(words)
    device.say(answer, within_s(words) + float(device.rng.uniform(0.05, 8.0)))


def _is_just_in_time(device: Device, words: str) -> None:
    """The answer comes at the very end of its time."""
    answer, _ = device.do(words)
    device.say(answer, within_s(words) - float(device.rng.uniform(0.02, 0.2)))


def _comes_in_pieces(device: Device, words: str) -> None:
    """The answer comes letter by letter."""
    answer, _ = device.do(words)
    for place, letter in enumerate(f"{answer}\n"):
        device.say(letter.encode(), 0.02 * (place + 1))


def _is_half(device: Device, words: str) -> None:
    """An answer breaks off, with the move done, begun or not."""
    track = device.track
    answer, _ = device.do(words)
    device.track = int(device.rng.choice([track, (track + device.track) // 2, device.track]))
    device.say(answer.encode()[: int(device.rng.integers(1, len(answer)))])


def _dies(device: Device, words: str) -> None:
    """It is pulled in the midst of it, for good."""
    device.stays_dead = True
    _goes_for_a_moment(device, words)


def _goes_for_a_moment(device: Device, words: str) -> None:
    """It is pulled in the midst of it, and is there again for who opens it."""
    track = device.track
    device.do(words)
    device.track = int(device.rng.choice([track, (track + device.track) // 2, device.track]))

    def pull() -> None:
        device.world.sleep(float(device.rng.uniform(0.0, 0.8)) * within_s(words))
        device.die()

    device.world.Thread(target=pull, name="outside-pull").start()


def _answers_garbage(device: Device, words: str) -> None:
    """It answers with whatever bytes there are."""
    device.do(words)
    count = int(device.rng.integers(1, 60))
    device.say(device.rng.integers(0, 256, count, np.uint8).tobytes() + b"\x1b[2J\n")


def _never_ends(device: Device, words: str) -> None:
    """It answers with a line that has no end."""
    device.do(words)
    for at in range(50):
        device.say(b"ok " * 100, 0.01 * at)


def _refuses(device: Device, words: str) -> None:
    """It does not do it, and says why; the reason may be anything."""
    del words
    why = ["the head is at its inner stop", "", "\x1b]0;x\x07", "x" * 90]
    device.say(f"no {device.rng.choice(why)}")


def _starts_anew(device: Device, words: str) -> None:
    """The board loses its power for a moment: it greets, and has forgotten the track."""
    if words == "where" and device.told is None:
        # Nothing is to be forgotten yet: the next time.
        device.spoilt = ""
        device.say(*device.do(words))
        return
    device.told, device.motor, device.head = None, "off", 0
    device.say("evenlobe steps 1")
    if device.rng.random() < 0.5:
        device.say(device.state(), 0.02)


def _chatters(device: Device, words: str) -> None:
    """It says more than was asked."""
    answer, seconds = device.do(words)
    device.say(answer, seconds)
    for _ in range(int(device.rng.integers(1, 4))):
        device.say("debug: step pulse 3", seconds + 0.001)


FAULTS: dict[str, tuple[Spoil, str]] = {
    "lie": (_is_lied_of, "may"),
    "elsewhere": (_goes_elsewhere, "may"),
    "unasked": (_moves_unasked, "gives up"),
    "another": (_says_another, "gives up"),
    "late": (_is_late, "gives up"),
    "in time": (_is_just_in_time, "goes on"),
    "pieces": (_comes_in_pieces, "goes on"),
    "half": (_is_half, "gives up"),
    "loss": (_dies, "gives up"),
    "return": (_goes_for_a_moment, "gives up"),
    "garbage": (_answers_garbage, "gives up"),
    "endless": (_never_ends, "gives up"),
    "refusal": (_refuses, "gives up"),
    "restart": (_starts_anew, "gives up"),
    "chatter": (_chatters, "may"),
}
"""What is done to the line, and whether the line has to be given up for it."""


def pairs() -> list[tuple[str, str]]:
    """Return the one kind of line with each of its faults."""
    return [(KIND, name) for name in FAULTS]


class _Bench:
    """Measures for the job, where the carriage is."""

    def __init__(self, device: Device, drive: ScriptedDrive) -> None:
        self.device, self.drive = device, drive
        self.runner: JobRunner | None = None
        self._is_wanted = False

    def measure(self, request: MeasurementRequest) -> None:
        """Measure at the next look."""
        del request
        self._is_wanted = True

    def progress(self) -> MeasurementProgress | None:
        """Return what is measured."""
        if not self._is_wanted or self.runner is None:
            return None
        ask = self.runner.job.ask
        assert isinstance(ask, Measure)
        self.drive.silent = not self.has_lobes(ask.track)
        self.drive.sided = float(self.device.came)
        found = self.drive.answer(ask)
        assert isinstance(found, Measurement)
        return MeasurementProgress(1.0, found)

    def has_lobes(self, track: int | None) -> bool:
        """Return whether a track's lobes are there to be measured."""
        return self.device.motor == "on" and self.device.track == track

    def cancel_measurement(self) -> None:
        """Measure nothing more."""
        self._is_wanted = False

    def origin(self) -> None:
        """Nothing is known of where it comes from."""


def run(key: Key) -> Outcome:
    """Run a case and judge it."""
    outcome = Outcome(key)
    spoil, ends = FAULTS[key.fault]
    place = list(FAULTS).index(key.fault)
    rng = np.random.default_rng([key.seed, place, key.number])
    world = World()
    # Which head is selected only what it reads can show; of that nothing is known here. And who
    # lies of what it has done was asked to do something.
    spared = ("hello", "head", "where") if ends == "may" else ("hello", "head")
    device = Device(world, rng, spoil, int(rng.integers(1, 14)), spared)
    drive = ScriptedDrive()
    checks = ((CheckName.RADIAL, 0), (CheckName.HYSTERESIS, 1))
    job, _ = job_on(plan=[Planned(check, Stage.AS_FOUND, head) for check, head in checks])
    with ExitStack() as stack:
        line = StepsLine(_ADDRESS, 100.0, device.connect, world.monotonic)
        stack.enter_context(patch.object(stepping_module, "steps_line", lambda _: line))
        stack.enter_context(injected(world, (stepping_module, line_module)))
        wired = Stepping(_ADDRESS, world.monotonic)
        bench = _Bench(device, drive)
        bench.runner = JobRunner(job, bench, wired)
        try:
            _Case(outcome, world, bench, wired, ends).watch(int(rng.integers(3)))
        except Exception as fault:
            outcome.faults.append(f"crash: {fault!r}")
        wired.close()
        world.sleep(_SEEN_S)
        left = [each for each in world.running() if not each.startswith("outside")]
        outcome.faults += [f"threads left: {', '.join(left)}"] * bool(left)
    return outcome


class _Case:
    """A job that is led to its end, by the line and by hands."""

    def __init__(
        self, outcome: Outcome, world: World, bench: _Bench, wired: Stepping, ends: str
    ) -> None:
        self._outcome, self._world, self._bench, self._wired = outcome, world, bench, wired
        assert bench.runner is not None
        self._runner = bench.runner
        self._ends = ends
        self._ask_s = self._begun_s = world.now_s
        self._asked: object = None
        self._hands = 0

    def watch(self, gives_back: int) -> None:
        """Lead the job; a hand gives the line back so many times."""
        job, wired, world = self._runner.job, self._wired, self._world
        while job.ask is not None and world.now_s - self._begun_s < _LONGEST_S:
            world.sleep(_LOOK_S)
            was_on = wired.on
            self._look()
            if was_on and not wired.on:
                self._given_up()
                if gives_back > 0:
                    gives_back -= 1
                    wired.give_back()
        self._conclude(job)

    def _look(self) -> None:
        runner, ask, now_s = self._runner, self._runner.job.ask, self._world.now_s
        if ask is not self._asked:
            self._asked, self._ask_s = ask, now_s
        if isinstance(ask, Measure):
            self._measure(ask)
            return
        assert isinstance(ask, Do)
        if self._wired.takes(ask) or self._wired.aim is not None:
            if not runner.step():
                runner.see(self._seen(now_s), now_s, now_s)
        elif now_s - self._ask_s > _HAND_S:
            self._by_hand(ask)

    def _seen(self, now_s: float) -> Reading:
        track = self._runner.job.profile.alignment_track
        number = round((now_s - self._begun_s) / _LOOK_S)
        if self._bench.has_lobes(track):
            return reading(0.02, end_index=number)
        return parked(NO_CARRIER.text, end_index=number)

    def _by_hand(self, ask: Do) -> None:
        device = self._bench.device
        for stop in ask.stops:
            device.go(stop - device.track)
        if ask.stops:
            device.motor, device.head = "on", ask.head
            self._hands += 1
        self._bench.drive.answer(ask)
        self._runner.answer(True)

    def _measure(self, ask: Measure) -> None:
        device = self._bench.device
        if self._wired.astray:
            self._outcome.faults.append("measured with the head astray")
        self._runner.measure()
        progress = self._runner.poll()
        found = None if progress is None else progress.measurement
        is_there = (device.track, device.head) == (ask.track, ask.head)
        if found is not None and not found.problem and not is_there:
            at = f"track {device.track} of head {device.head}"
            self._outcome.faults.append(f"measured {ask.label} at {at}")
        elif found is not None and found.problem:
            self._outcome.said = self._outcome.said or str(found.problem)
            self._outcome.shown.append((self._world.now_s - self._begun_s, str(found.problem)))

    def _given_up(self) -> None:
        outcome, device, wired = self._outcome, self._bench.device, self._wired
        now_s = self._world.now_s
        outcome.shown.append((now_s - self._begun_s, wired.said))
        if not device.spoilt:
            outcome.faults.append(f"given up without a reason: {wired.said}")
        if outcome.parked_s is None:
            outcome.said, outcome.parked_s = wired.said, now_s - device.spoilt_s
            due_s = within_s(device.spoilt) + 0.02 + _LOOK_S + _TOLD_S
            by_lobes = self._ends == "may"
            if outcome.parked_s > (_SEEN_S if by_lobes else due_s):
                outcome.faults.append(f"given up late: {outcome.parked_s:.1f} s")
        if not wired.said.isprintable() or not wired.said.startswith("steps “"):
            outcome.faults.append(f"no sentence: {wired.said!r}")
        if device.spoilt.startswith(("seek", "step")) and not wired.astray:
            outcome.faults.append(f"the head may be elsewhere, and nobody says so: {wired.said}")

    def _conclude(self, job: Job) -> None:
        outcome, wired = self._outcome, self._wired
        by = "by hand from there" if not wired.on else "by wire to its end"
        outcome.job = f"{by}, {self._hands} times by hand" if self._hands else by
        if job.ask is not None:
            outcome.faults.append(f"the job has not come to its end: {job.ask}")
        if not self._bench.device.spoilt:
            outcome.said = "the job was at its end before"
            return
        was_given_up = outcome.parked_s is not None
        if self._ends == "goes on" and was_given_up:
            outcome.faults.append(f"given up for nothing: {outcome.said}")
        if self._ends == "gives up" and not was_given_up:
            outcome.faults.append("not given up")
