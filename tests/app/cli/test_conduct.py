"""Jobs over the virtual drive: by the virtual technician, and by a person who types."""

from __future__ import annotations

import io
import json
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from app.analysis.results import Verdict
from app.book import writer
from app.book.model import Drive, RefusedError
from app.book.store import Book
from app.book.writer import head_for
from app.cli import main
from app.cli.arguments import UsageFault
from app.cli.conduct import conduct
from app.cli.job import checks_named, job_as_json
from app.cli.prompting import Typist
from app.job.job import Job
from app.job.model import USUAL_CHECKS, Action, CheckName, Do, Entry, JobOptions, Outcome
from app.job.plan import JobStanding, Plan
from app.live.measurement import EnvelopeOptions
from app.profiles import load_profile
from app.stamp import now
from instruments.source import Source, SourceLost, SourceTimeout, SourceUnavailable
from instruments.virtual.drive import VirtualDrive
from instruments.virtual.params import VirtualParams
from instruments.virtual.source import VirtualSource
from tests.benchmarks.job import ZERO_U_UM, params_for, work_on

PROFILE = load_profile("130mm-48tpi")
BLOCKS_AWAY = 20
QUICK = {"rate": 200e3, "carrier_hz": 50e3, "pace": "fast"}
NARROW = (CheckName.SEATING, CheckName.HYSTERESIS, CheckName.ADJUST, CheckName.LOCK)


class Handless(Source):
    """The virtual drive as a source that nobody can reach but the person."""

    def __init__(self, params: VirtualParams, **flags):
        self._source = VirtualSource(params, paced=False)
        self._flags = flags
        self.reads = 0
        self.later = []

    @property
    def info(self):
        return self._source.info

    @property
    def drive(self):
        return self._source.drive

    def open(self):
        self._source.open()

    def read(self, timeout_s):
        self.reads += 1
        for due in [each for each in self.later if each[0] <= self.reads]:
            self.later.remove(due)
            due[1]()
        return replace(self._source.read(timeout_s), **self._flags)

    def close(self):
        self._source.close()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_a_seeded_drive_is_left_with_its_hysteresis_centred(seed):
    left_with_its_hysteresis_centred(params_for(seed), JobOptions())


@pytest.mark.slow
def test_so_is_one_that_is_sampled_slowly_and_measured_in_a_hurry():
    left_with_its_hysteresis_centred(
        replace(params_for(0), **QUICK), JobOptions(seatings=3, arrivals=2, turns=5)
    )


def left_with_its_hysteresis_centred(params, options):
    # A modulation once a turn is in U, and no job can take it out of the middle: without it.
    worked, job = work_on(replace(params, radial_modulation_percent=0.0), NARROW, options)
    # The purpose of the job: the true middle within 5 µm and U of the disk's zero of its aim, in at
    # most 8 nudges, relocks counted.
    assert abs(worked.middle_um) <= 5.0 + 2.0 * ZERO_U_UM
    error_um, expanded_um = worked.left_um
    assert abs(error_um) <= expanded_um
    assert job.nudges <= 8
    assert worked.wrong == []
    for error, u in worked.errors["hysteresis"]:
        assert abs(error) <= max(1.0, 2.0 * u)
    assert job.closed


def test_the_speed_is_trimmed_and_told_to_two_hundredths_of_a_percent():
    params = VirtualParams(seed=4, rate=500e3, pace="fast", speed_rpm=309.0, snr_db=20.0)
    worked, job = work_on(params, (CheckName.SPEED,))
    assert job.closed
    assert [each.verdict for each in job.outcomes] == [
        Verdict.FAIL,
        Verdict.PASS,
        Verdict.PASS,
    ]
    assert max(abs(error) for error, _ in worked.errors["speed"]) <= 0.0002 * 300.0


def test_a_drive_that_writes_to_a_protected_disk_is_left_open():
    params = VirtualParams(seed=2, **QUICK, protect="fails")
    _, job = work_on(params, (CheckName.CARE,))
    assert not job.closed
    assert [each.check for each in job.open_failures] == [CheckName.CARE]


@pytest.mark.parametrize(
    ("offset_um", "head_um", "track_um"), [(37.0, 330.0, 300.0), (-58.0, 330.0, 155.0)]
)
def test_the_head_is_brought_to_the_middle_of_an_ordinary_track(offset_um, head_um, track_um):
    params = VirtualParams(
        seed=5,
        **QUICK,
        recording="track",
        offset_um=offset_um,
        head_um=head_um,
        track_um=track_um,
        clamp_um=5.0,
    )
    source = VirtualSource(params, paced=False)
    source.open()
    start_um = source.drive.positioner.offset_um
    options = JobOptions(turns=3)
    job = conduct(source, PROFILE, EnvelopeOptions(), checks=(CheckName.CENTRE,), options=options)
    end_um = source.drive.positioner.offset_um
    source.close()
    (outcome,) = job.outcomes
    assert job.closed
    assert not job.drive.loose
    assert abs(end_um) <= 10.0
    assert abs(outcome.value - end_um) <= outcome.expanded_u
    found = next(each for each in outcome.details if each.name == "off the middle, as found")
    assert abs(found.value - start_um) <= 2.0 * found.u
    # Nothing is judged: whoever wrote the track may have stood anywhere.
    assert (outcome.verdict, outcome.limit) == (Verdict.NOTED, None)


def test_a_list_of_checks_is_read_and_a_wrong_name_is_told():
    assert checks_named("radial, LOCK") == (CheckName.RADIAL, CheckName.LOCK)
    assert checks_named(None) == USUAL_CHECKS
    with pytest.raises(UsageFault, match="“radiall” is not a check"):
        checks_named("radiall")


class Person(Typist):
    """A person who works on the drive when prompted, and types."""

    def __init__(self, lines, source):
        super().__init__(io.StringIO(lines), io.StringIO())
        self.source = source
        self.drive = source.drive
        self.asks = []

    def prompt(self, ask, where, *, noticed=False):
        super().prompt(ask, where, noticed=noticed)
        self.asks.append(ask)
        if isinstance(ask, Do):
            self._work(ask)

    def _work(self, ask):
        if ask.action is Action.NUDGE:
            self.drive.nudge(ask.amount)
        elif ask.action is Action.TIGHTEN:
            self.drive.tighten()
        elif ask.action is Action.RESEAT:
            self.drive.lift()
            self._later(self.drive.reseat)
        elif ask.action is Action.ARRIVE_FROM_INSIDE:
            self._step_off(3)
        elif ask.action is Action.ARRIVE_FROM_OUTSIDE:
            self._step_off(-3)

    def _step_off(self, tracks):
        self.drive.step(tracks)
        self._later(lambda: self.drive.step(-tracks))

    def _later(self, move):
        """For two seconds of samples nothing is seen."""
        self.source.later.append((self.source.reads + BLOCKS_AWAY, move))


def test_a_person_who_types_does_the_job_with_enter_alone():
    source = Handless(VirtualParams(seed=3, **QUICK, offset_um=-40.0, hand_um=0.0))
    source.open()
    person = Person("\n" * 200, source)
    checks = (CheckName.RADIAL, CheckName.HYSTERESIS, CheckName.ADJUST)
    of = (source, PROFILE, EnvelopeOptions())
    options = JobOptions(arrivals=2, turns=5)
    job = conduct(*of, checks=checks, options=options, typist=person)
    assert job.closed
    assert abs(source.drive.positioner.middle_um) <= 5.0
    assert any(isinstance(ask, Do) and ask.action is Action.NUDGE for ask in person.asks)


class Silent(Person):
    """Both hands at the drive, and no word but for what nobody could see."""

    def _work(self, ask):
        super()._work(ask)
        if not ask.noticed and ask.action is not Action.NUDGE:
            self._typed.put("\n")

    @property
    def ended(self):
        return False


def test_nudges_are_seen_without_a_word():
    params = VirtualParams(seed=3, **QUICK, offset_um=-40.0, hand_um=0.0, hand_percent=5.0)
    source = Handless(params)
    source.open()
    person = Silent("", source)
    of, options = (source, PROFILE, EnvelopeOptions()), JobOptions(arrivals=1, turns=3)
    job = conduct(*of, checks=(CheckName.ADJUST,), options=options, typist=person)
    assert abs(source.drive.positioner.middle_um) <= 5.0
    nudges = [ask for ask in person.asks if isinstance(ask, Do) and ask.action is Action.NUDGE]
    assert job.nudges == len(nudges) >= 2
    assert job.outcomes[-1].verdict is Verdict.PASS


@pytest.mark.slow
def test_an_arrival_is_seen_without_a_word():
    source = Handless(VirtualParams(seed=3, **QUICK, backlash_um=8.0))
    source.open()
    person = Silent("", source)
    of, options = (source, PROFILE, EnvelopeOptions()), JobOptions(arrivals=2, turns=5)
    job = conduct(*of, checks=(CheckName.HYSTERESIS,), options=options, typist=person)
    # Two from each side, of either head.
    assert person._out.getvalue().count("seen\n") == 8
    assert job.as_found.hysteresis_um.value == pytest.approx(8.0, abs=1.0)


def test_a_person_may_skip_a_check_and_take_an_answer_back():
    source = Handless(VirtualParams(seed=3, **QUICK, offset_um=5.0))
    source.open()
    lines = "\nback\nskip: no disk for it\n" + "\n" * 20
    person = Person(lines, source)
    checks = (CheckName.CARE, CheckName.RADIAL)
    job = conduct(source, PROFILE, EnvelopeOptions(), checks=checks, typist=person)
    assert person.asks[0] == person.asks[2]
    assert job.outcomes[0].reason == "no disk for it"
    assert job.outcomes[1].value == pytest.approx(5.0, abs=1.0)


@pytest.mark.parametrize(("clipped", "verdict"), [(False, "pass"), (True, "undecided")])
def test_what_a_device_says_of_clipping_decides_a_check(clipped, verdict):
    params = VirtualParams(seed=3, **QUICK, offset_um=5.0)
    source = Handless(params, clipped=clipped)
    source.open()
    person = Person("\n" * 20, source)
    checks = (CheckName.RADIAL,)
    job = conduct(source, PROFILE, EnvelopeOptions(), checks=checks, typist=person)
    assert job.outcomes[0].verdict == verdict
    assert ("clipped" in job.outcomes[0].reason) == clipped


@pytest.mark.parametrize(("last", "closed"), [("sold as spares\n", True), ("\n", False)])
def test_an_open_failure_is_closed_for_a_reason_alone(last, closed):
    source = Handless(VirtualParams(seed=3, **QUICK, offset_um=90.0))
    source.open()
    # The disk, the track, side 1; then the end.
    person = Person("\n\n\n" + last, source)
    checks = (CheckName.RADIAL,)
    job = conduct(source, PROFILE, EnvelopeOptions(), checks=checks, typist=person)
    assert job.closed is closed
    assert job.closing_reason == ("sold as spares" if closed else "")


def test_what_cannot_be_entered_is_asked_again():
    source = Handless(VirtualParams(seed=3, **QUICK))
    source.open()
    lines = "\n\n\n\n\n\nperhaps\nyes\n\nhot\n21\n\n\n\n\n"
    person = Person(lines, source)
    job = conduct(source, PROFILE, EnvelopeOptions(), checks=(CheckName.CARE,), typist=person)
    said = person._out.getvalue()
    assert "“perhaps” cannot be chosen; choose yes or no" in said
    assert "“hot” is not a number; enter one from 10 to 35, or nothing" in said
    details = {value.name: value.value for value in job.outcomes[0].details}
    assert details["room temperature"] == 21.0
    assert job.closed


def test_when_the_input_ends_the_job_is_left_open_and_what_was_measured_is_kept():
    source = Handless(VirtualParams(seed=3, **QUICK))
    source.open()
    person = Person("\n\n\n", source)
    kept = []

    class Recorder:
        def keep(self, *things):
            kept.extend(each for each in things if not isinstance(each, JobStanding))

        def close(self, *_):
            raise AssertionError("closed")

    checks = (CheckName.HYSTERESIS,)
    job = conduct(source, PROFILE, EnvelopeOptions(), checks=checks, typist=person, log=Recorder())
    assert not job.closed
    assert job.step is not None
    assert [each.label for each in kept] == ["alignment disk put in", "from outside 1"]


def test_ctrl_c_leaves_the_job_open_with_what_was_measured():
    source = VirtualSource(VirtualParams(seed=3, **QUICK), paced=False)
    source.open()
    kept = []

    class Impatient:
        def keep(self, *things):
            thing = things[0]
            assert not isinstance(thing, Outcome), "a check ended"
            if isinstance(thing, Entry):
                kept.append(thing)
                if len(kept) == 3:
                    signal.raise_signal(signal.SIGINT)

        def close(self, *_):
            raise AssertionError("closed")

    checks = (CheckName.HYSTERESIS,)
    job = conduct(source, PROFILE, EnvelopeOptions(), checks=checks, log=Impatient())
    assert not job.closed
    assert len(kept) == 3


def test_a_source_that_goes_says_so_and_what_was_measured_is_in_the_book(
    tmp_path, capsys, monkeypatch
):
    read = VirtualSource.read
    calls = iter(range(10**6))

    def breaking(self, timeout_s):
        if next(calls) > 60:
            raise SourceLost("source “sim:”: the cable came off; put it back and open it again")
        return read(self, timeout_s)

    monkeypatch.setattr(VirtualSource, "read", breaking)
    book = tmp_path / "book.sqlite3"
    words = ["job", "sim:rate=200000&carrier_hz=50000", "--drive", "d", "--book", str(book)]
    assert main.run([*words, "--checks", "hysteresis"]) == 2
    assert "the cable came off" in capsys.readouterr().err
    with Book(book) as opened:
        record = opened.job(1)
    assert record.entries
    assert not record.closed_at


def test_json_has_the_schema_and_plain_values(capsys):
    _, job = work_on(VirtualParams(seed=1, **QUICK, offset_um=3.0), (CheckName.RADIAL,))
    head = head_for("sim:", True, PROFILE, "1", now(), Plan.CHECK, (CheckName.RADIAL,))
    told = json.loads(json.dumps(job_as_json(job, "demo", head), allow_nan=False))
    assert told["schema"] == "evenlobe.job/1"
    with pytest.raises(SystemExit):
        main.run(["job", "--help"])
    explained = capsys.readouterr().out.partition("JSON object")[2]
    assert {*told, *told["checks"][0]} <= set(re.findall(r"[a-z_]+", explained))
    assert set(told) == {
        "schema",
        "aim",
        "drive",
        "virtual",
        "plan",
        "checks",
        "as_found",
        "as_left",
        "nudges",
    }
    check = told["checks"][0]
    assert told["plan"]["name"] == "check"
    assert {"check": "lock", "reason": "it was not asked for"} in told["plan"]["left_out"]
    assert check["check"] == "radial"
    assert check["unit"] == "µm"
    assert check["verdict"] == "pass"
    assert told["as_found"]["offset_um"]["value"] == check["value"]
    assert told["as_left"] == {"offset_um": None, "hysteresis_um": None, "speed_rpm": None}


@pytest.mark.slow
def test_the_command_keeps_the_job_and_its_status_tells_the_end(tmp_path, capsys):
    book = tmp_path / "book.sqlite3"
    words = [
        "job",
        "sim:rate=200000&carrier_hz=50000&offset_um=-70&screws=tight",
        "--drive",
        "machine 7",
    ]
    more = ["--book", str(book), "--checks", "radial,hysteresis,adjust,lock", "--json"]
    assert main.run([*words, *more, "--arrivals", "1"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    told = json.loads(out)
    with Book(book) as opened:
        record = opened.job(1)
    assert record.drive.identity == "machine 7"
    assert record.closed_at
    assert record.nudges == told["nudges"] > 0
    assert len(record.outcomes) == len(told["checks"])
    # Of this class the scale is a default; all that these checks find are lengths by it.
    assert {tuple(each["provisos"]) for each in told["checks"]} == {("uncalibrated",)}
    assert record.as_found.offset_um.value == told["as_found"]["offset_um"]["value"]
    assert record.head.virtual
    assert record.head.profile_values
    assert all(entry.virtual for entry in record.entries)


@pytest.mark.parametrize("has_report", [True, False])
def test_a_job_that_a_locked_book_does_not_take_is_not_said_to_be_kept(
    tmp_path, capsys, monkeypatch, has_report
):
    """Nor does a report that cannot be written, as on the same full disk, make bad usage of it."""

    def refuse(*_, **__):
        raise UsageFault("report: no room")

    if not has_report:
        monkeypatch.setattr("app.cli.job.write_report", refuse)
    path = tmp_path / "book.sqlite3"
    Book(path).close()
    monkeypatch.setattr(writer.JobWriter.finish, "__defaults__", (0.5,))
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        words = ["job", "sim:rate=200000&carrier_hz=50000", "--drive", "d", "--checks", "speed"]
        status = main.run([*words, "--book", str(path), "--report", str(tmp_path / "r.html")])
    finally:
        other.close()
    out, err = capsys.readouterr()
    assert status == 3
    assert "not all is in the book" in out
    assert "another window or program is writing to it" in err
    assert ("report: no room" in err) != has_report
    with Book(path) as book:
        assert book.drive("d") is None


def test_a_job_whose_outcome_the_book_refuses_is_not_said_to_be_kept(tmp_path, capsys, monkeypatch):
    def refuse(*_):
        raise RefusedError("the store is made to refuse")

    monkeypatch.setattr(Book, "keep", refuse)
    words = [
        "job",
        "sim:rate=200000&carrier_hz=50000",
        "--drive",
        "d",
        "--checks",
        "speed",
        "--json",
    ]
    more = ["--book", str(tmp_path / "b.sqlite3"), "--report", str(tmp_path / "r.html")]
    assert main.run([*words, *more]) == 3
    assert "made to refuse" in capsys.readouterr().err


def test_a_job_that_nobody_reads_any_more_is_not_said_to_be_closed(tmp_path):
    book = tmp_path / "book.sqlite3"
    words = [
        "job",
        "sim:rate=200000&carrier_hz=50000",
        "--drive",
        "d",
        "--checks",
        "speed",
        "--book",
        str(book),
    ]
    with subprocess.Popen(
        [sys.executable, "-m", "app", *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait() == 3
    with Book(book) as opened:
        assert not opened.job(1).closed_at


def test_a_job_with_an_open_failure_is_left_open(capsys, tmp_path):
    words = [
        "job",
        "sim:rate=200000&carrier_hz=50000&offset_um=-70",
        "--drive",
        "d",
        "--checks",
        "radial",
    ]
    book = tmp_path / "b.sqlite3"
    assert main.run([*words, "--book", str(book)]) == 3
    assert "left open: radial, as found" in capsys.readouterr().out
    with Book(book) as opened:
        assert opened.job(1).closed_at == ""


def test_a_terminal_is_told_what_a_number_hangs_on_and_sees_its_verdict_in_colour(
    capsys, monkeypatch
):
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    words = ["job", "sim:rate=200000&carrier_hz=50000&offset_um=3&pace=fast", "--drive", "7"]
    main.run([*words, "--no-book", "--checks", "speed,radial"])
    speed, radial = capsys.readouterr().out.splitlines()[:2]
    # ECMA-48, 8.3.117: 32 is green.
    assert speed.startswith("\x1b[32mspeed, as found: pass\x1b[39m  ")
    assert "uncalibrated" not in speed
    assert re.match(r".*radial, as found: pass\S*  \S+ ± \S+ µm, uncalibrated  ", radial)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["sim:"], "--drive"),
        (["sim:", "--drive", " "], "--drive is empty"),
        (["sim:", "--drive", "d", "--checks", "radial,nil"], "“nil” is not a check"),
        (["sim:", "--drive", "d", "--seatings", "1"], "from 2 to 100"),
        (["sim:", "--drive", "d", "--arrivals", "many"], "not a whole number"),
        (["sim:", "--drive", "d", "--profile", "none"], "“none” is not known"),
        (["pipe:?rate=1000000&dtype=int16&channels=2", "--drive", "d"], "nobody could answer"),
    ],
)
def test_what_cannot_be_is_one_sentence(words, sentence, capsys):
    assert main.run(["job", *words, "--no-book"]) == 2
    said = capsys.readouterr().err
    assert sentence in said
    assert said.count("\n") == 1


@pytest.mark.parametrize(
    ("aim", "said"),
    [
        (
            "900",
            "--aim: an aim of +900 µm cannot be read on this disk: state one from −152 to +152",
        ),
        ("as found", "--aim: the way back is not known"),
        ("middle", "--aim: “middle” is no aim"),
    ],
)
def test_an_aim_that_cannot_be_is_refused_before_the_work_begins(aim, said, tmp_path, capsys):
    words = ["job", "sim:", "--drive", "TM-0031", "--book", str(tmp_path / "book.sqlite3")]
    assert main.run([*words, "--aim", aim]) == 2
    assert said in capsys.readouterr().err
    assert main.run(["report", *words[2:], "--out", str(tmp_path / "none.html")]) == 2


def test_the_head_of_a_job_holds_the_class_as_it_was():
    source = VirtualSource(VirtualParams(), paced=False)
    info = source.info
    head = head_for(info.name, info.virtual, PROFILE, "0.1.0", now())
    assert ("limits.set", "0.15", "common practice") in head.profile_values
    speed = next(row for row in head.profile_values if row[0] == "spindle.speed_rpm")
    assert speed[1] == "300 rpm"
    assert head.virtual
    assert head.opened_at[-6] in "+-"


def test_a_job_that_was_broken_off_is_gone_on_with(tmp_path, capsys, monkeypatch):
    read, nudge = VirtualSource.read, VirtualDrive.nudge
    since_nudge = []

    def nudging(self, offset_um):
        nudge(self, offset_um)
        since_nudge.append("nudge")

    def breaking(self, timeout_s):
        # After the first nudge, before what came of it was measured.
        since_nudge.extend(["read"] * bool(since_nudge))
        if since_nudge == ["nudge", *["read"] * 5]:
            raise SourceLost("source “sim:”: the cable came off; put it back and open it again")
        return read(self, timeout_s)

    monkeypatch.setattr(VirtualDrive, "nudge", nudging)
    monkeypatch.setattr(VirtualSource, "read", breaking)
    book = tmp_path / "book.sqlite3"
    address = "sim:rate=200000&carrier_hz=50000&pace=fast&offset_um=40"
    words = ["job", address, "--drive", "TM-0031", "--book", str(book)]
    checks = ["--checks", "care,radial,hysteresis,adjust", "--arrivals", "1"]
    assert main.run([*words, *checks]) == 2
    with Book(book) as opened:
        found = opened.job(1)
    assert not found.closed_at
    assert found.as_found.hysteresis_um is not None
    assert found.nudges >= 1
    capsys.readouterr()
    assert main.run([*words, "--resume", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    with Book(book) as opened:
        assert opened.numbers() == (1,)
        left = opened.job(1)
    assert left.closed_at
    assert left.head == found.head
    assert left.outcomes[: len(found.outcomes)] == found.outcomes
    assert left.as_found == found.as_found
    assert left.nudges == told["nudges"] > found.nudges
    assert len(told["checks"]) == len(left.outcomes)
    # What comes before power was asked for on either day.
    assert [each.check for each in left.outcomes].count(CheckName.CARE) == 2


SLOWLY = "sim:rate=200000&carrier_hz=50000&pace=fast"
TIMELY, LATE = (f"{SLOWLY}&index_burst_us={late}" for late in (210, 900))


@pytest.fixture(scope="module")
def failed_book(tmp_path_factory):
    """A book with one job, left open by a burst that comes late."""
    book = tmp_path_factory.mktemp("failed") / "book.sqlite3"
    words = ["job", LATE, "--drive", "d", "--book", str(book)]
    assert main.run([*words, "--checks", "index"]) == 3
    return book


@pytest.fixture
def job_again(failed_book, tmp_path):
    """Returns the words that take up the drive of a copy of that book, by the drive's address."""
    book = shutil.copy(failed_book, tmp_path)
    return lambda address: ["job", address, "--drive", "d", "--book", str(book)]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--checks", "radial"], "job 1 has no check “radial”"),
        (["--arrivals", "2"], "leave out --arrivals"),
        (["--profile", "90mm-135tpi"], "others now"),
        ([], ""),
    ],
)
@pytest.mark.few(1)
def test_going_on_with_a_job_changes_nothing_of_it(job_again, capsys, words, said):
    assert main.run([*job_again(LATE), "--resume", *words]) == (2 if said else 3)
    assert said in capsys.readouterr().err


@pytest.mark.slow
def test_a_new_job_beside_an_open_one_says_so(job_again, tmp_path, capsys):
    assert main.run([*job_again(LATE), "--checks", "index"]) == 3
    said = "job 1 of the drive is open, and --resume 1 goes on with that"
    assert said in capsys.readouterr().err
    with Book(tmp_path / "book.sqlite3") as opened:
        assert opened.numbers() == (1, 2)


def test_any_open_job_is_gone_on_with(job_again, tmp_path, capsys):
    with Book(tmp_path / "book.sqlite3") as opened:
        second = opened.open_job("d", opened.job(1).head)
        opened.close_job(second, now(), 0)
        opened.add_drive(Drive("other", PROFILE.name))
        third = opened.open_job("other", opened.job(1).head)
    words = [*job_again(LATE), "--describe", "technician=A. Example"]
    assert main.run([*words, "--resume"]) == 3
    assert "goes on with job 1" in capsys.readouterr().out
    assert main.run([*words, "--resume", "1"]) == 3
    assert "goes on with job 1" in capsys.readouterr().out
    for number, why in ((second, "is closed"), (third, f"“d” has no job {third}")):
        assert main.run([*words, "--resume", str(number)]) == 2
        assert why in capsys.readouterr().err
    with Book(tmp_path / "book.sqlite3") as opened:
        assert dict(opened.job(1).head.conditions)["technician"] == "A. Example"


@pytest.mark.slow
def test_a_check_that_failed_is_done_once_more(job_again, capsys):
    # Somebody has moved the sensor.
    words = [*job_again(TIMELY), "--resume", "--checks", "index"]
    assert main.run(words) == 2
    assert "Not the same source as before" in (told := capsys.readouterr().err)
    assert "--same-drive" in told
    assert main.run([*words, "--same-drive"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("goes on with job 1")
    assert "what was adjusted on it is undone" in said
    assert said.count("index") == 2
    assert "pass" in said


def test_where_there_is_nothing_to_go_on_with_that_is_said(tmp_path, capsys):
    book = ["--book", str(tmp_path / "book.sqlite3")]
    words = ["job", "sim:rate=200000&carrier_hz=50000&pace=fast&offset_um=2", "--drive", "d"]
    assert main.run([*words, *book, "--resume"]) == 2
    assert "is not in the book" in capsys.readouterr().err
    assert main.run([*words, *book, "--checks", "radial"]) == 0
    assert main.run([*words, *book, "--resume"]) == 2
    assert "its jobs are closed" in capsys.readouterr().err
    assert main.run([*words, "--no-book", "--resume"]) == 2
    assert "leave out --no-book" in capsys.readouterr().err


@pytest.mark.parametrize("keeping", [["--no-book"], ["--book"]])
def test_the_command_writes_the_report(tmp_path, capsys, keeping):
    out = tmp_path / "report.html"
    if keeping == ["--book"]:
        keeping = ["--book", str(tmp_path / "book.sqlite3")]
    words = [
        "job",
        "sim:rate=200000&carrier_hz=50000&offset_um=2",
        "--drive",
        "<b>machine</b>",
        *keeping,
    ]
    words += ["--checks", "radial", "--report", str(out)]
    assert main.run(words) == 0
    page = out.read_text(encoding="utf-8")
    assert "&lt;b&gt;machine&lt;/b&gt;" in page
    assert "<b>machine</b>" not in page
    assert "the report" in capsys.readouterr().out
    # Refused before any work is done.
    assert main.run(words) == 2
    assert "exists already" in capsys.readouterr().err


def test_without_a_name_the_report_goes_beside_the_book(tmp_path, capsys):
    words = [
        "job",
        "sim:rate=200000&carrier_hz=50000&offset_um=2",
        "--drive",
        "hall 2/../7",
        "--checks",
        "radial",
    ]
    written = []
    # Two books in one folder: their jobs have the same numbers.
    for name, number in (("book", 1), ("book", 2), ("other", 1)):
        assert main.run([*words, "--book", str(tmp_path / f"{name}.sqlite3")]) == 0
        written.append(capsys.readouterr().out.splitlines()[-1].removesuffix(": the report"))
        assert written[-1].startswith(str(tmp_path / "reports" / f"hall-2-7-job-{number}-"))
    assert len(list((tmp_path / "reports").iterdir())) == len(set(written)) == 3
    assert (tmp_path / "reports").stat().st_mode & 0o777 == 0o700
    for out in written:
        assert "hall 2/../7" in Path(out).read_text(encoding="utf-8")
    assert main.run([*words, "--no-book"]) == 0
    assert "the report" not in capsys.readouterr().out


@pytest.mark.slow
def test_a_head_that_never_moves_is_asked_about_and_does_not_pass():
    source = Handless(VirtualParams(seed=3, **QUICK))
    source.open()

    class Stubborn(Person):
        """Says that everything was done, and does nothing."""

        def _work(self, ask):
            self._typed.put("\n")

        def say(self, text):
            super().say(text)
            if "Nothing was seen to move" in text:
                self._typed.put("insist\n")

        @property
        def ended(self):
            return False

    person = Stubborn("", source)
    checks = (CheckName.HYSTERESIS,)
    kept = []
    log = SimpleNamespace(keep=lambda *things: kept.extend(things), close=lambda *_: None)
    of = (source, PROFILE, EnvelopeOptions())
    options = JobOptions(arrivals=2, turns=5)
    job = conduct(*of, checks=checks, options=options, typist=person, log=log)
    assert job.outcomes[0].verdict is Verdict.UNDECIDED
    assert "4 of 4 arrivals" in job.outcomes[0].reason
    entries = [each for each in kept if isinstance(each, Entry) and each.track is not None]
    assert len(entries) == 8
    assert all("by the word of the hand alone" in each.notes[0] for each in entries)


class Fragile(Handless):
    """A source whose cable comes off once, in the middle of a measurement; it hangs, or is gone."""

    def __init__(self, params, fault):
        super().__init__(params)
        self._fault = fault
        self.opened = 0

    def open(self):
        self.opened += 1
        if self.opened == 2:
            raise SourceUnavailable("cable: it is still off; plug it in")
        super().open()

    def read(self, timeout_s):
        if self.reads == 5 and self.opened == 1:
            raise self._fault
        return super().read(timeout_s)


@pytest.mark.parametrize("fault", [SourceLost("cable: off"), SourceTimeout("cable: it hangs")])
def test_a_source_that_goes_is_waited_for_and_does_not_end_the_job(fault):
    source = Fragile(VirtualParams(seed=3, **QUICK, offset_um=5.0), fault)
    source.silence_s = 0.0
    source.open()
    person = Person("\n" * 20, source)
    job = conduct(source, PROFILE, EnvelopeOptions(), checks=(CheckName.RADIAL,), typist=person)
    said = person._out.getvalue()
    assert f"{fault}. The job waits" in said
    assert "still off" in said
    assert source.opened == 3
    assert [outcome.verdict for outcome in job.outcomes] == ["pass", "pass"]
    assert job.closed


def test_a_job_of_a_real_drive_is_not_gone_on_with_on_the_virtual_one(tmp_path, capsys):
    book = tmp_path / "book.sqlite3"
    drive = Drive("d", PROFILE.name, "", now())
    kept = writer.JobWriter(
        drive, head_for("visa:bench", False, PROFILE, "1", now()), now, path=book
    )
    Job(PROFILE, False, now=now, log=kept, source="visa:bench")
    assert kept.finish() == ""
    words = ["job", "sim:rate=200000&carrier_hz=50000", "--drive", "d", "--book", str(book)]
    assert main.run([*words, "--resume"]) == 2
    assert "begun on a real one, and the source is the virtual drive" in capsys.readouterr().err
    with Book(book) as opened:
        assert opened.job(1).entries == ()
