"""What is recorded: each section runs the program in a workshop and keeps texts in a folder."""

from __future__ import annotations

import hashlib
import json
import re
import shlex
import shutil
import signal
import sqlite3
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

from tests.behaviour import lines
from tests.behaviour.pictures import AT_THE_NEEDLE, IN_THE_BOOK, SIZES, Pages, take_pictures
from tests.behaviour.program import TIME, WAIT_S, Program

_FIXTURES = Path(__file__).parents[2] / "fixtures"
_AT_ONCE = 8
_TRIES = 5
_BLOB = re.compile(r"X'([0-9A-F]+)'")
_POLLED = re.compile(r"(  > (\S+\?)\n  < .*\n)(?=  > \2\n)")
_BYTES = re.compile(r"(block of \d+ bytes:).*")


def record(folder: Path, root: Path) -> None:
    """Record the program of a checkout into a folder that is not there yet."""
    folder.mkdir(parents=True)
    with tempfile.TemporaryDirectory(prefix="behaviour-") as place:
        program = Program(root.resolve(), Path(place).resolve())
        try:
            recording = Recording(folder, program)
            recording.prepare()
            with ThreadPoolExecutor(_AT_ONCE) as pool:
                for done in [pool.submit(task) for task in recording.tasks()]:
                    done.result()
        finally:
            program.end()


class Recording:
    """One recording: the program, and the folder into which it is told."""

    def __init__(self, folder: Path, program: Program) -> None:
        self._folder = folder
        self._program = program
        self._place = program.place

    def prepare(self) -> None:
        """Lay out the files that the command lines name, and record what has to keep up."""
        shutil.copytree(_FIXTURES / "captures", self._place / "captures")
        for version in (1, 2, 3):
            script = (_FIXTURES / "books" / f"version-{version}.sql").read_text("utf-8")
            self._make_book(f"version-{version}.sqlite3", script)
        self._make_book("other.sqlite3", "CREATE TABLE things (name TEXT)")
        newer = (_FIXTURES / "books" / "version-3.sql").read_text("utf-8")
        self._make_book("newer.sqlite3", newer + "PRAGMA user_version = 99;")
        for name in ("text.sqlite3", "text.html"):
            (self._place / name).write_text("not what it says\n" * 100)
        (self._place / "empty.json").write_text("{}")
        for name, text in lines.WRONG_PROFILES.items():
            self._configure("profiles", "profiles", name, text)
        for name, text in lines.WRONG_FAMILIES.items():
            self._configure(name, "scopes", name, text)
        for name, words in lines.SIMULATED.items():
            self._simulate(name, words)
        self._write("sources", self._patiently(_in_time, "sources"))
        for name, words in lines.NEEDLES.items():
            self._live(name, *shlex.split(words))

    def tasks(self) -> Iterator[Callable[[], None]]:
        """Yield what is to be done, in any order and beside each other; what takes long first."""
        yield self._jobs
        for size in SIZES:
            yield partial(self._show, size, AT_THE_NEEDLE)
        # Two at a time: on a machine that is too busy they do not answer in time.
        yield partial(self._scopes, lines.SCOPES[::2])
        yield partial(self._scopes, lines.SCOPES[1::2])
        for name, words in lines.JOBS.items():
            yield partial(self._job, name, words)
        yield self._typed_job
        yield self._old_books
        yield self._recordings
        yield partial(self._tell, "help/main", "-h")
        for command in lines.COMMANDS:
            yield partial(self._tell, f"help/{command}", command, "-h")
        for name in ("", *lines.PROFILES):
            yield partial(
                self._tell, f"profiles/{name or 'all'}", "profiles", *filter(None, [name])
            )
        for line in lines.MEASURED:
            yield partial(self._measure, line)
        for line in lines.WRONG:
            yield partial(self._tell, f"wrong/{_name(line)}", *shlex.split(line))
        yield self._wrong_profiles
        yield self._wrong_families

    def _tell(self, name: str, *words: str, **more: str) -> None:
        self._write(name, self._program.run(*words, **more))

    def _write(self, name: str, text: str, suffix: str = ".txt") -> None:
        path = self._folder / f"{name}{suffix}"
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(text)

    def _write_made(self, name: str, *paths: str) -> None:
        """Keep what the program wrote into files of the workshop, as plain text."""
        for path in paths:
            text = (self._place / path).read_text("utf-8")
            self._write(name, self._program.plain(text), f"-{Path(path).name}")

    def _make_book(self, name: str, script: str) -> None:
        connection = sqlite3.connect(self._place / name)
        connection.executescript(script)
        connection.close()

    # ---- captures

    def _simulate(self, name: str, words: str) -> None:
        told = self._program.run("simulate", name, "--seconds", "1.5", *shlex.split(words))
        self._write(f"simulate/{name}", told + _told_of_wav(self._place / name))
        self._write_made("simulate/truth", name.replace(".wav", ".truth.json"))

    def _recordings(self) -> None:
        for name, line in (
            ("live.wav", "sim:seed=5 live.wav --seconds 0.5 --roles differential,index"),
            ("copied.wav", "phases.wav copied.wav --seconds 0.5 --roles=-,plus,minus"),
            ("text.wav", "captures/semicolons.csv text.wav"),
            ("text.wav", "captures/counted.csv text.wav --overwrite"),
        ):
            told = self._program.run("record", *shlex.split(line))
            self._write(f"record/{_name(line)}", told + _told_of_wav(self._place / name))

    def _measure(self, line: str) -> None:
        told = [self._program.run("measure", *shlex.split(line), *how) for how in ((), ("--json",))]
        self._write(f"measure/{_name(line)}", "".join(told))

    def _configure(self, user: str, kind: str, name: str, text: str) -> None:
        """Put a file into the configuration of one of several users."""
        path = self._place / "users" / user / "evenlobe" / kind / f"{name}.toml"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)

    def _run_as(self, user: str, *words: str) -> str:
        return self._program.run(*words, XDG_CONFIG_HOME=str(self._place / "users" / user))

    def _wrong_profiles(self) -> None:
        asked = [(), *((name,) for name in lines.WRONG_PROFILES)]
        told = [self._run_as("profiles", "profiles", *name) for name in asked]
        self._write("wrong/profiles", "\n".join(told))

    def _wrong_families(self) -> None:
        with self._serving("A2") as scope:
            told = [self._run_as(name, "measure", scope) for name in lines.WRONG_FAMILIES]
        self._write("wrong/families", "\n".join(told))

    # ---- jobs and books

    def _job(
        self, name: str, words: str, drive: str = "TM-0031", book: str = "", given: str = ""
    ) -> None:
        book = book or f"{name}.sqlite3"
        where = ("--drive", drive, "--book", book, "--report", f"{name}.html")
        told = self._patiently(_in_time, "job", *shlex.split(words), *where, given=given)
        self._write(f"job/{name}", told)
        self._write_made("job/report", f"{name}.html")
        self._dump(f"job/{name}", book)

    def _dump(self, name: str, book: str) -> None:
        connection = sqlite3.connect(self._place / book)
        pragmas = [
            f"PRAGMA {pragma} = {connection.execute(f'PRAGMA {pragma}').fetchone()[0]}"
            for pragma in ("application_id", "user_version")
        ]
        text = "\n".join([*pragmas, *connection.iterdump()])
        connection.close()
        self._write(name, self._program.plain(_BLOB.sub(_hashed, text)), ".sql")

    def _jobs(self) -> None:
        """Work through whole jobs, and use the book that comes of them."""
        self._job("whole", "sim:rate=500000 --seatings 4")
        for months in (0, 5, 11, 18):
            source = f"sim:seed=7&offset_um=5&age_months={months}&rate=500000"
            where = ("--drive", "TM-0044", "--book", "history.sqlite3")
            words = ("--checks", "speed,radial", "--profile", "130mm-48tpi-one-side")
            self._tell(f"job/history-{months}", "job", source, *where, *words)
        self._dump("job/history", "history.sqlite3")
        for name in ("whole", "history"):
            made = f"{name}-book.json"
            self._tell(f"book/export-{name}", "export", "--book", f"{name}.sqlite3", "--out", made)
            self._write_made("book/exported", made)
            _spread(self._place / made)
            # Twice: what is there already is passed over.
            for time in ("first", "second"):
                told = ("import", "--book", "book.sqlite3", made)
                self._tell(f"book/import-{name}-{time}", *told)
        self._use_book()
        with ThreadPoolExecutor(len(SIZES)) as pool:
            list(pool.map(self._show_book, SIZES))

    def _show_book(self, size: tuple[int, int]) -> None:
        # A copy, for a job is begun in it.
        book = f"shown-{size[0]}.sqlite3"
        shutil.copy(self._place / "book.sqlite3", self._place / book)
        self._show(size, IN_THE_BOOK, "--book", book)

    def _show(self, size: tuple[int, int], pages: Pages, *words: str) -> None:
        words = ("phases.wav", *words)
        take_pictures(self._program, self._folder / "window", words, size, pages)

    def _use_book(self) -> None:
        book = ("--book", "book.sqlite3")
        self._dump("book/imported", "book.sqlite3")
        for search in ("", "TM-0044", "48tpi", "nobody"):
            self._tell(f"book/drives-{search}", "drives", *filter(None, [search]), *book)
        self._tell("book/export-csv", "export", *book, "--out", "tables", "--format", "csv")
        for path in sorted((self._place / "tables").iterdir()):
            self._write_made("book/tables", f"tables/{path.name}")
        self._tell("book/backup", "backup", *book, "copy.sqlite3")
        self._dump("book/backup", "copy.sqlite3")
        for name, words in {
            "first": "--drive TM-0031",
            "last": "--drive TM-0044 --paper letter",
            "third": "--drive TM-0044 --job 4",
        }.items():
            for ending in ("html", "pdf"):
                out = f"{name}.{ending}"
                words_ = ("report", *book, "--out", out, *shlex.split(words))
                self._tell(f"report/{name}-{ending}", *words_)
            self._write_made("report/page", f"{name}.html")
            printed = subprocess.run(
                ["pdftotext", "-layout", self._place / f"{name}.pdf", "-"],
                check=True,
                capture_output=True,
            )
            self._write(f"report/printed-{name}", self._program.plain(printed.stdout.decode()))

    def _old_books(self) -> None:
        for version in (1, 2, 3):
            name = f"version-{version}.sqlite3"
            book = ("--book", name)
            self._tell(f"book/drives-version-{version}", "drives", "Nordtor", *book)
            self._dump(f"book/version-{version}", name)

    def _typed_job(self) -> None:
        """Lead a job by typed lines over a scope, leave it open, and go on with it."""
        with self._serving("A2") as address:
            for name, words, typed in (
                ("begun", f"{address} --checks care,track-zero", "\n\nback\n\nskip: no time\n"),
                ("resumed", f"{address} --resume", "\nyes\n21\n" * 30),
            ):
                self._job(f"typed-{name}", words, "machine 7", "typed.sqlite3", typed)

    # ---- what moves while it is looked at: numbers are compared by a tolerance

    def _scopes(self, scopes: tuple[tuple[str, str], ...]) -> None:
        for family, transport in scopes:
            with self._serving(family, transport) as address:
                checked = self._patiently(_in_time, "check-scope", address)
                reading = self._patiently(_in_time, "measure", address, "--json", "--seconds", "1")
            # How often a scope is asked whether it has done hangs on the time it takes.
            told = _BYTES.sub(r"\1", _POLLED.sub("", checked)) + reading
            self._write(f"scope/{family}-{transport}", told, ".near")

    @contextmanager
    def _serving(self, family: str, transport: str = "socket") -> Iterator[str]:
        """Serve a virtual scope for as long as the block lasts; yields its address."""
        words = ("--family", family, "--transport", transport, "--options", lines.STEADY)
        process = self._program.begin("virtual-scope", *words)
        try:
            assert process.stdout is not None
            yield process.stdout.readline().strip()
        finally:
            process.send_signal(signal.SIGINT)
            process.communicate(timeout=WAIT_S)

    def _patiently(self, good: Callable[[str], bool], *words: str, given: str = "") -> str:
        """Run a command, again where the machine was too busy for it."""
        for _ in range(_TRIES):
            told = self._program.run(*words, given=given)
            if good(told):
                break
        return told

    def _live(self, name: str, *words: str) -> None:
        """Keep the head of a needle in text, and one line of the needle itself."""
        told = self._patiently(lambda told: " ratio " in told, *words).splitlines(keepends=True)
        needle = [line for line in told if " ratio " in line][-1:]
        # How long it is parked, and whether it is in the end, hangs on how busy the machine is.
        kept = [line for line in told if not re.search("parked|status| ratio ", line)]
        self._write(f"live/{name}", "".join([*kept, *needle]), ".near")


def _in_time(told: str) -> bool:
    return not re.search(r"within [\d.]+ s", told)


def _spread(path: Path) -> None:
    """Put the jobs of an exported book 60 days apart, at the same times in each recording."""
    content = json.loads(path.read_text("utf-8"))
    for place, part in enumerate((content["drives"], *content["jobs"])):
        day = (datetime(2026, 1, 5, 9, tzinfo=UTC) + timedelta(60 * place)).isoformat()
        text = TIME.sub(lambda time, day=day: day if "T" in time[0] else time[0], json.dumps(part))
        if place == 0:
            content["drives"] = json.loads(text)
        else:
            content["jobs"][place - 1] = json.loads(text)
    path.write_text(json.dumps(content), "utf-8")


def _told_of_wav(path: Path) -> str:
    """Return a WAV file's chunks, each with its length and the hash of its bytes."""
    content = path.read_bytes()
    told, at = [], 12
    while at + 8 <= len(content):
        size = int.from_bytes(content[at + 4 : at + 8], "little")
        body = content[at + 8 : at + 8 + size]
        told.append(f"{content[at : at + 4].decode()} {size} {_hash(body)}\n")
        at += 8 + size + size % 2
    return "".join(told)


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:24]


def _hashed(blob: re.Match[str]) -> str:
    return f"X'{len(blob[1]) // 2} bytes {_hash(blob[1].encode())}'"


def _name(line: str) -> str:
    return re.sub(r"[^\w.=,-]+", "_", line).strip("_")
