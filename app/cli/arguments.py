"""The command line's grammar: a parser for each command, and their help."""

from __future__ import annotations

import argparse
import os
import re
from collections.abc import Callable, Iterable, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Any, NoReturn

from app.cli.book_arguments import (
    backup,
    calibrations,
    describe,
    drives,
    export,
    import_,
    job,
    report,
    restore,
    verify,
)
from app.cli.options import (
    METER_ASKED,
    SOURCES,
    add_analysis,
    add_book,
    add_overwrite,
    add_profile,
    add_roles,
    add_seconds,
    add_steps,
    add_units,
    meter_reading,
    percent,
    positive,
    whole,
)
from app.handbook import TOPICS
from app.live.measurement import LIVE_SECONDS
from app.live.source_check import QUIET_S
from app.stamp import version

DEFAULT_SOURCE = "sim:"
STATUS = """\
exit status: 0 a valid reading, 3 none, 2 bad usage or an input that cannot be read
"""
STEPS = """\
A line that steps the drive: a serial port or a program, started without a shell. One line of ASCII
is asked and one answered, within the seconds that stand there; a line that answers wrongly, late or
by halves is given up, and the hands go on.
  hello                 6 s   answered by: evenlobe steps 1; the track counts as unknown then
  motor on, motor off   5 s   the spindle's motor; answered once it is at speed
  head 0, head 1        2 s   the head of that side
  seek N               10 s   to track N; by way of track 0 where the track is unknown
  step in N RATE        2 s + N/RATE   N tracks inward, at RATE steps a second
  step out N RATE       2 s + N/RATE   the same outward
  where                 2 s   how all stands
All but hello are answered once done and at rest: “ok track 16 head 0 motor on”, with ? for a track
that is unknown; or “no” and why, with nothing moved. RATE is 100 where ?rate=N states no other.
No word of it writes. Hold the write gate off in hardware all the same: leave its line to the drive
unconnected, with 1 kΩ from it to the logic's 5 V, and measure more than 2.4 V on it with everything
on, before the alignment disk goes in. A covered notch is the second lock, not the first.
"""
_READING_KEYS = """\
JSON object of --json; Q is {"value": number, "u": standard uncertainty}, or null where the signal
does not support it:
  schema                "evenlobe.reading/1"
  source, virtual, profile, roles
                        the address; whether it is the virtual drive; the profile; roles in order
  duration_s, revolutions
                        length of the capture; whole turns used
  valid, reasons, notes whether balance and ratio may be used; why not; what to know beside them
  geometry              "two-band", "boundary", "alternating", "windows" or null
  speed_rpm, carrier_hz Q
  snr_db                power of the sine at the top of the taller lobe over the noise in the whole
                        sampled band, or null
  lobes_v               {"first": Q, "second": Q}: peak amplitude of the differential
  balance, ratio, difference, offset_um
                        Q; balance and offset are positive with the head outward
  sign_known            false without an index, unless the disk's windows show the side: then first
                        is the taller lobe, and balance and offset are magnitudes
  calibrated            whether the scale of the offset is more than the profile's default
  detector_unproved     whether an envelope's detector was taken as linear, unproved; what that may
                        make of the lobes is in u
  limits                {"set": …, "check": …}, each "pass", "fail", "undecided" or null, at k = 2

JSON objects of --live --json, one for each new reading or state:
  schema                "evenlobe.needle/1"
  at                    when its newest sample was taken, UTC
  source, virtual, profile, roles
                        as above
  phase, message, advice
                        state of the source; what failed, and the mend; what the state suggests
  moving                Q: the balance by the lobe under way while the head moves; no verdict
  reading               the keys above from valid on; null before the first reading
"""
_CHECK_KEYS = """\
JSON object of --json; a value that was not told is null:
  schema                "evenlobe.source-check/1"
  source, virtual, profile, rate_hz, seconds
                        what was listened to, and for how long
  quiet                 false where a signal was there, which then stands under noise
  full_scale_v          where it clips, in the source's volts
  channels              one a role: offset_v, noise_v, hum_v and hum_hz (rms), step_v, noise_bits
  common                {"match", "rejection_db"} of two phases, by a hum on both
  clock                 {"fast_ppm", "u_ppm", "u_true_ppm"}: against this computer's clock, and u
                        with that clock's own
  detector              of --play with an envelope, or of --generator: played_hz, level (of the
                        output's full scale, or in volts with stated_tolerance), gain_v (for an
                        output at full scale, or a volt), threshold_v and low_corner_hz as
                        {"value", "u"}, knee_v, polarity, rise_s, and the law: out_v, in_v, law_u_v
  path                  of --play without: played_hz, level, gain_v, match, shared (one output feeds
                        both), crosstalk_db, rejection_db, bits, low_corner_product_hz, band
  volts                 of --meter: {"full_scale_v", "tolerance"}: the peak at the test points at
                        which the input clips, and its tolerance as a part of it
  cut_v, straight_v     where tops are cut below full scale; up to where nothing was
  floor_v               half of what lies between a scope's pairs of extremes
  limits_um             standard uncertainty of the offset from each part
  notes                 sentences to know beside it
"""
_PROFILE_FILES = """\
Your own are TOML files in the folder that “evenlobe profiles” names; those of alignment disks are
in “disks” within it. “base” names the file whose entries are taken over; what you state goes before
it, each entry with its value and its source; u is a standard uncertainty. A file of a name that the
program has goes before it, and may have it as its base.

A disk with a certificate, disks/our-disk.toml:

  title = "130 mm, 48 tpi, our disk 3"
  base = "130mm-48tpi"

  [pattern]
  scale_um = { value = 181.5, u = 1.2, calibrated = true, source = "certificate 7" }

  [certificate]
  disk = { value = "AD 3", source = "certificate 7" }
  date = { value = 1987-05-31, source = "certificate 7" }
  due = { value = 2027-05-31, source = "certificate 7" }
  temperature_c = { value = 21.5, source = "certificate 7" }

A disk whose bursts stand in windows states each of them, in degrees after the index; “side” is
where the head is when the window is the taller. Where lengths or order show it, the side is then
known without an index:

  [pattern]
  geometry = { value = "windows", source = "the disk's paper" }

  [pattern.windows]
  value = [
    { start_deg = 15, length_deg = 100, side = "outward" },
    { start_deg = 190, length_deg = 45, side = "inward" },
  ]
  source = "the disk's paper"

A job that names another disk than certificate.disk is not begun; one after certificate.due, or
365 days after certificate.date where that is all, is told so, and so is its report.

A class that uses the disk, our-drives.toml, then chosen with --profile our-drives:

  title = "Ticket machines, 130 mm"
  base = "130mm-48tpi"
  disk = "our-disk"

  [limits]
  set = { value = 0.10, source = "workshop rule" }
"""

SHELLS = ("bash", "zsh", "tcsh")
"""Those that commands can be completed in."""
_BARE_WORD = re.compile(r"[A-Za-z][A-Za-z0-9_-]*")


class UsageFault(Exception):  # noqa: N818
    """Something on the command line cannot be used; the message says what to do."""


class _Parser(argparse.ArgumentParser):
    """A parser that raises instead of printing its usage: a fault is one line."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(
            formatter_class=argparse.RawDescriptionHelpFormatter, allow_abbrev=False, **settings
        )

    def error(self, message: str) -> NoReturn:
        """Raise a fault that names the argument and what is wrong with it."""
        raise UsageFault(f"{message}; “{self.prog} --help” shows what can be written")


def parse(arguments: Sequence[str]) -> tuple[str, argparse.Namespace]:
    """Read a command line: the command's name, empty for the dashboard, and its options.

    Raises
    ------
    UsageFault
        When it cannot be understood.
    SystemExit
        After help or version, which are printed.
    """
    words = _with_skips(arguments)
    command = words.pop(0) if words and words[0] in COMMANDS else ""
    if words and not command:
        _refuse_mistyped(words[0])
    title, add = COMMANDS[command] if command else (_TITLE, _dashboard)
    parser = _Parser(prog=f"evenlobe {command}".rstrip(), description=title)
    add(parser)
    return command, parser.parse_args(words)


def grammar() -> argparse.ArgumentParser:
    """Return all that can be written on a command line as one parser, for what is made of it."""
    usage = "evenlobe [SOURCE] [options] | evenlobe COMMAND ..."
    parser = _Parser(prog="evenlobe", description=_TITLE, usage=usage)
    # Without the source, which would stand where a shell is to complete the commands.
    _dashboard_options(parser)
    commands = parser.add_subparsers(metavar="COMMAND")
    for name, (title, add) in COMMANDS.items():
        add(commands.add_parser(name, help=title, description=title))
    return parser


def _refuse_mistyped(word: str) -> None:
    """Refuse a bare word that is no file: it was meant as a command."""
    if not _BARE_WORD.fullmatch(word) or os.path.exists(word):
        return
    meant = nearest(word, COMMANDS, "evenlobe ")
    raise UsageFault(f"“{word}” is no command, no file and no address; {meant}")


def nearest(word: str, known: Iterable[str], before: str) -> str:
    """Return words that offer what is known and most like a word that is not."""
    near = get_close_matches(word.lower(), list(known), 1)
    return f"did you mean “{before}{near[0]}”?" if near else "“evenlobe help” lists what there is"


def _with_skips(arguments: Sequence[str]) -> list[str]:
    """Join ``--roles -,plus`` to ``--roles=-,plus``: a list may begin with a dash."""
    words = list(arguments)
    for place in range(len(words) - 1, 0, -1):
        if words[place - 1] == "--roles" and words[place].startswith("-,"):
            words[place - 1 : place + 1] = [f"--roles={words[place]}"]
    return words


_TITLE = """\
A live bench instrument for the radial head alignment of removable-disk drives.
Opens the dashboard; where there is no display, a needle of text in the terminal."""


def _dashboard(parser: argparse.ArgumentParser) -> None:
    rows = "\n".join(f"  {name:<13} {title}" for name, (title, _) in COMMANDS.items())
    parser.usage = "evenlobe [SOURCE] [options]\n       evenlobe COMMAND ...   (COMMAND --help)"
    parser.epilog = f"""\
commands:
{rows}

{SOURCES}
examples:
  evenlobe                                     the dashboard, on the virtual drive
  evenlobe 'sim:offset_um=-40&seed=2'          the same, 40 µm inward, another drive
  evenlobe measure capture.wav --roles plus,minus,index
  evenlobe record 'sound:?rate=192000' found.wav --roles differential,index
"""
    parser.add_argument("source", metavar="SOURCE", nargs="?", help="open this source at once")
    _dashboard_options(parser)


def _dashboard_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--version", action="version", version=f"evenlobe {version()}")
    parser.add_argument(
        "--tone",
        metavar="DEVICE",
        help="sound output on which the needle is heard (Ctrl T; default: the system's choice)",
    )
    add_book(parser)
    add_steps(parser)
    add_roles(parser)
    add_analysis(parser)


def _measure(parser: argparse.ArgumentParser) -> None:
    parser.epilog = f"""\
{SOURCES}
{STATUS}
{_READING_KEYS}
examples:
  evenlobe measure capture.wav
  evenlobe measure scope.csv --roles differential,index --json
  evenlobe measure sound: --roles envelope,index --low-corner 7 --detector-threshold 0.2
  evenlobe measure sim: --live
  evenlobe measure sound: --live --json --log readings.csv
"""
    parser.add_argument("source", metavar="SOURCE", help="what to measure")
    parser.add_argument(
        "--json",
        action="store_true",
        help="print the reading as one JSON object; with --live one a reading, each in a line",
    )
    parser.add_argument("--live", action="store_true", help="show a moving needle until Ctrl-C")
    parser.add_argument(
        "--log",
        metavar="FILE",
        type=Path,
        help="with --live: write each reading to a new file as a row of CSV, too",
    )
    add_seconds(
        parser, f"how much to measure; without it a capture whole, all else {LIVE_SECONDS:g} s"
    )
    add_units(parser)
    add_roles(parser)
    add_analysis(parser)


def _sources(parser: argparse.ArgumentParser) -> None:
    # Imported here: nobody else needs the table.
    from instruments.virtual.params import help_text

    parser.epilog = f"{SOURCES}\noptions of sim:, with their defaults:\n{help_text()}\n"


def _captures(parser: argparse.ArgumentParser) -> None:
    parser.epilog = """\
A row for each file in the folder: what it was taken for, frames a second, frames, columns with
their units, and the roles that they would have; or why it is not read. What to know of it stands
beneath.

exit status: 0 the folder was listed, whatever is in it, 2 it cannot be

examples:
  evenlobe captures .
  evenlobe captures exports
"""
    parser.add_argument("folder", metavar="FOLDER", type=Path, help="where the files are")


def _record(parser: argparse.ArgumentParser) -> None:
    parser.epilog = f"""\
{SOURCES}
The file appears under its name when it is whole; Ctrl-C ends the recording and keeps it.
Of a scope one record is taken, at the full rate of its deep memory and as long as that is.

examples:
  evenlobe record sound: found.wav --roles differential,index
  evenlobe record scope.csv scope.wav --roles -,plus,minus
  evenlobe record visa:TCPIP::192.0.2.7::5025::SOCKET found.wav
"""
    parser.add_argument("source", metavar="SOURCE", help="what to record")
    parser.add_argument("out", metavar="OUT.wav", type=Path, help="the file to write")
    add_seconds(parser, "how long; without it to the source's end, or until Ctrl-C")
    add_roles(parser)
    add_overwrite(parser)


def _simulate(parser: argparse.ArgumentParser) -> None:
    parser.epilog = """\
What is true of the drive (offset, ratio, speed, ...) is written beside it, to OUT.truth.json.
“evenlobe sources --help” lists the options of sim:.

examples:
  evenlobe simulate practice.wav --seconds 5
  evenlobe simulate boundary.wav --source 'sim:recording=boundary&scale_um=120&offset_um=-40'
"""
    parser.add_argument("out", metavar="OUT.wav", type=Path, help="the file to write")
    parser.add_argument(
        "--source",
        metavar="SIM",
        default=DEFAULT_SOURCE,
        help="a sim: address with its options (default: sim:)",
    )
    add_seconds(parser, f"how long (default: {LIVE_SECONDS:g})", LIVE_SECONDS)
    add_roles(parser)
    add_overwrite(parser)


def _check_scope(parser: argparse.ArgumentParser) -> None:
    parser.epilog = """\
Every command of the family that matches is sent, and the scope is put back as it was found.
Write down what is set on its front panel before; keep the drive connected and turning.

exit status: 0 everything fits, 3 something does not, 2 nobody answers there

examples:
  evenlobe check-scope visa:TCPIP::192.0.2.7::5025::SOCKET
  evenlobe check-scope 'visa:USB0::0x1234::0x5678::SERIAL::INSTR?family=A2'
"""
    parser.add_argument("address", metavar="ADDRESS", help="a visa: address")


def _check_source(parser: argparse.ArgumentParser) -> None:
    parser.epilog = f"""\
With the drive's motor off and the cable in place: noise, offset, hum, the converter's steps, the
phases' match as far as a hum tells it, the sample clock against this computer's (three minutes,
--seconds 180, for some parts in a million), and what all that lets a reading resolve.

With --play the input and the probe are measured by a sound output that is led through the probe:
of an envelope column the detector's law and the low corner behind it, by bursts of the carrier, so
that the output's own coupling drops out; without a detector gains, match, crosstalk, rejection,
band and effective bits, and of the couplings the product alone. Levels begin near nothing and
double, each told before it is played, until the input has enough. Volts are known only by a meter:
--meter takes what it reads at the test points, where its data sheet says that it still reads right
at the tone's frequency.

A card plays up to half its rate. With --generator a signal generator gives the carrier of the
drive's class (--profile) instead: the detector's law is then proved where it is used. Its volts are
those that are stated; many show half or twice of what is there, by the load that they are set for.

{SOURCES}
exit status: 0 told, 3 a signal was there or too little came, 2 bad usage or an input that cannot be
read

{_CHECK_KEYS}
examples:
  evenlobe check-source sound: --roles envelope,index
  evenlobe check-source 'sound:?rate=192000' --roles plus,minus --seconds 180 --json
  evenlobe check-source sound: --roles envelope,index --play "USB Audio" --at-most 50
  evenlobe check-source sound: --roles envelope,index --play "USB Audio" --meter
  evenlobe check-source sound: --roles envelope,index --generator 2
"""
    parser.add_argument("address", metavar="ADDRESS", help="the source to check")
    parser.add_argument("--json", action="store_true", help="print the outcome as one JSON object")
    add_seconds(parser, f"how long to listen before anything is played (default: {QUIET_S:g})")
    parser.add_argument(
        "--play",
        metavar="DEVICE",
        help="play test tones on this sound output, led through the probe to the input",
    )
    parser.add_argument("--yes", action="store_true", help="play without asking first")
    parser.add_argument(
        "--at-most",
        type=percent,
        metavar="PERCENT",
        default=100.0,
        help="highest level to be played, of the output's full scale (default: 100)",
    )
    parser.add_argument(
        "--quick",
        action="store_true",
        help="play little, in ten seconds, and look whether what is kept still holds",
    )
    parser.add_argument(
        "--meter",
        metavar="V",
        nargs="?",
        type=meter_reading,
        const=METER_ASKED,
        help="what a meter reads of the tone at the test points, in volts r.m.s., as 0.35+-2%%: "
        "from it the volts are known; asked for while a steady tone plays where V is left out",
    )
    parser.add_argument(
        "--generator",
        metavar="VPP",
        type=positive,
        help="a signal generator gives the drive's carrier: tell each level, up to VPP volts peak "
        "to peak, and take what was set and switched on and off by hand",
    )
    add_roles(parser)
    add_profile(parser)


def _virtual_scope(parser: argparse.ArgumentParser) -> None:
    # Imported here: nobody else needs the table.
    from instruments.virtual.scope import FAMILIES, MODELS, TRANSPORTS

    parser.epilog = """\
Prints its address, which can be opened like that of a real scope, and serves until Ctrl-C.
“evenlobe sources --help” lists the options of the virtual drive behind it.

examples:
  evenlobe virtual-scope
  evenlobe virtual-scope --family B --transport hislip --options 'offset_um=-40&seed=2'
  evenlobe virtual-scope --family ds1054z --left zoom,inverted --answer-s 0.05
"""
    parser.add_argument(
        "--family",
        metavar="NAME",
        default="A2",
        help=f"whose commands it speaks: {', '.join(FAMILIES)}, or one model of "
        f"{', '.join(MODELS)} (default: A2)",
    )
    parser.add_argument(
        "--left",
        metavar="STATES",
        default="",
        help="how somebody left it, with commas between; one that is not known tells which are",
    )
    parser.add_argument(
        "--answer-s", metavar="S", type=float, default=0.0, help="seconds before each answer"
    )
    parser.add_argument(
        "--byte-s", metavar="S", type=float, default=0.0, help="seconds for each byte of a block"
    )
    parser.add_argument(
        "--transport",
        metavar="NAME",
        default="socket",
        help=f"how it is reached: {', '.join(TRANSPORTS)} (default: socket)",
    )
    parser.add_argument(
        "--port",
        metavar="N",
        type=whole,
        default=0,
        help="TCP port; 0 for one that is free (default: 0)",
    )
    parser.add_argument(
        "--options", metavar="SIM", default="", help="of the virtual drive, as offset_um=25&seed=1"
    )


def _steps(parser: argparse.ArgumentParser) -> None:
    parser.epilog = f"""\
{STEPS}
Type a command and see the answer; an empty line is passed over, and Ctrl-D ends it. The head moves
as you say: keep hands away from the carriage.

exit status: 0 every answer was right, 3 one was not, 2 nobody answers there

examples:
  evenlobe steps serial:/dev/ttyACM0
  evenlobe steps 'serial:/dev/ttyUSB0?baud=9600&rate=50'
  evenlobe steps 'run:python3 my-stepper.py'
"""
    parser.add_argument("address", metavar="ADDRESS", help="serial:PORT or run:COMMAND")


def _probes(parser: argparse.ArgumentParser) -> None:
    parser.epilog = """\
Without a name they are listed; with one all that is to be known of it is shown.

examples:
  evenlobe probes
  evenlobe probes mixer
  evenlobe probes --draw drawings
"""
    parser.add_argument("name", metavar="NAME", nargs="?", help="which probe")
    parser.add_argument(
        "--draw", metavar="FOLDER", type=Path, help="write the drawings there, as SVG"
    )


def _profiles(parser: argparse.ArgumentParser) -> None:
    parser.epilog = f"""\
{_PROFILE_FILES}
examples:
  evenlobe profiles
  evenlobe profiles 90mm-135tpi
"""
    words = "show every value of this profile with its unit and where it comes from"
    parser.add_argument("name", metavar="NAME", nargs="?", help=words)


def _diagnostics(parser: argparse.ArgumentParser) -> None:
    parser.epilog = """\
It tells versions, folders and what is plugged in; nothing of your drives, jobs and readings.

examples:
  evenlobe diagnostics
"""


def _replay(parser: argparse.ArgumentParser) -> None:
    parser.epilog = """\
While its window runs the program keeps the last minute: by what the open source is read, the lowest
and highest sample of each millisecond, each new reading or state of the needle, and faults of the
program. It is set aside, as a file of the user's own, when the program fails, when a source is
lost, when the window ends without being closed (the next start tells), and by Ctrl+B; of each
reason the newest five stay. Nothing of drives, jobs and people is in it, unless the address of the
source names one.

Without FILE those that are kept are listed. Its samples are played through the analysis second by
second, each a record of its own; “again” is therefore a check of what was shown, and not the same.

exit status: 0 told, 2 it cannot be read

JSON object of --json:
  schema                "evenlobe.replay/1"
  about                 why and when it was kept, and by which version of the program
  events                at, at_s (seconds since 1970), kind ("reading", "state", "fault", "crash"),
                        words, facts (the object that measure --live --json prints, or null)
  streams               facts (by what it was read), played (at, and the keys of a reading from
                        valid on), fault (why it cannot be played)

examples:
  evenlobe replay
  evenlobe replay 20260301-101500-250000-lost.blackbox
"""
    parser.add_argument("file", metavar="FILE", nargs="?", type=Path, help="a black box")
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def _desktop(parser: argparse.ArgumentParser) -> None:
    parser.epilog = """\
examples:
  evenlobe desktop
  evenlobe desktop --remove
"""
    parser.add_argument("--remove", action="store_true", help="take the entry away again")


def _completion(parser: argparse.ArgumentParser) -> None:
    parser.epilog = """\
examples:
  evenlobe completion bash > ~/.local/share/bash-completion/completions/evenlobe
  evenlobe completion zsh > ~/.zfunc/_evenlobe
"""
    parser.add_argument("shell", choices=SHELLS, help="for which shell")


def _man(parser: argparse.ArgumentParser) -> None:
    parser.epilog = """\
examples:
  evenlobe man > ~/.local/share/man/man1/evenlobe.1
"""


def _help(parser: argparse.ArgumentParser) -> None:
    topics = "\n".join(f"  {topic.name:<13} {topic.title}" for topic in TOPICS.values())
    parser.epilog = f"""\
topics:
{topics}

examples:
  evenlobe help procedure
  evenlobe help measure
  evenlobe help --find "guard band"
  evenlobe help --all > handbook.txt
"""
    what = parser.add_mutually_exclusive_group()
    what.add_argument("topic", metavar="TOPIC", nargs="?", help="a topic, or a command")
    what.add_argument("--all", action="store_true", help="the whole handbook, to be printed")
    what.add_argument("--find", metavar="WORDS", help="where the handbook has all these words")


COMMANDS: dict[str, tuple[str, Callable[[argparse.ArgumentParser], None]]] = {
    "measure": ("measure a source once, or show its needle as text", _measure),
    "sources": ("list what can be opened now", _sources),
    "captures": ("tell of each file in a folder what it was taken for", _captures),
    "record": ("record a source to a WAV file", _record),
    "simulate": ("write the virtual drive to a WAV file, its truth beside it", _simulate),
    "job": ("work through the checks on a drive, and keep the record", job),
    "drives": ("list the drives of the job book, or show the history of one", drives),
    "calibrations": ("list the calibrations of the job book, and when each is due", calibrations),
    "describe": ("say who did a job of the book, for whom, with what", describe),
    "report": ("write a job of the book as a report, HTML or PDF", report),
    "verify": ("tell whether what a report prints was changed since", verify),
    "export": ("write the job book as JSON or CSV", export),
    "import": ("add to the job book what “export” wrote", import_),
    "backup": ("copy the job book while it may be in use", backup),
    "restore": ("put a backup in the job book's place", restore),
    "profiles": ("list the drive classes, or show the values of one and their sources", _profiles),
    "check-scope": ("try every command of a scope's family on it", _check_scope),
    "check-source": (
        "tell what an input, and the probe ahead of it, can and cannot do",
        _check_source,
    ),
    "virtual-scope": ("put the virtual drive behind the commands of a scope", _virtual_scope),
    "probes": ("show the probes that can be built: values, reasons, levels, drawings", _probes),
    "steps": ("try the line that steps the drive, command by command", _steps),
    "replay": ("tell what was kept of the minute before something went wrong", _replay),
    "diagnostics": ("tell what a report of a fault should say of this computer", _diagnostics),
    "desktop": ("add this program, with its icon, to this user's desktop", _desktop),
    "completion": ("print what lets a shell complete these commands", _completion),
    "man": ("print all commands and options as a page for “man”", _man),
    "help": ("explain a topic or a command, or list both", _help),
}
