"""What each command does, and its exit status.

0 done, 2 bad usage or input, 3 no valid reading, or a job left open or not kept.
"""

from __future__ import annotations

import argparse
import json
import sys
import textwrap
from collections.abc import Callable, Sequence
from functools import partial

from app import desktop
from app.book.model import BookError
from app.book.store import shown
from app.cli.arguments import COMMANDS, DEFAULT_SOURCE, UsageFault, nearest, parse
from app.cli.book import backup, describe, export, import_, list_drives, restore, run_report, verify
from app.cli.calibrations import list_calibrations
from app.cli.captures import captures_as_text
from app.cli.job import run_job
from app.cli.measure import Progress, display_fault, run_meter
from app.cli.output import OutputFault, discard, prepare, say, tell, writing
from app.cli.probes import tell_probes
from app.cli.readings import NewReadings, logged
from app.cli.record import record, write_simulation
from app.cli.replay import list_boxes, replay
from app.cli.shell import completion, man_page
from app.cli.source_check import run_check_source
from app.cli.steps import try_steps
from app.diagnostics import diagnostics
from app.ear.voice import Fill, OutputUnavailable
from app.handbook import TOPICS, as_text, found_in, whole_text
from app.live.measurement import EnvelopeOptions, envelope_options, measure
from app.live.opening import Opening
from app.live.session import Session
from app.live.stepping import check_steps
from app.live.view import View
from app.numbers import Unit
from app.profiles import ProfileError, load_profile, profile_as_text, profiles_as_text
from app.text import reading_as_json, reading_as_text
from instruments.address import attached_sources, open_address
from instruments.sound.playback import Playback
from instruments.sound.player import SoundPlayer
from instruments.source import Role, SourceError, SourceRequest, SourceUnavailable, parse_roles

OK, BAD_INPUT, NO_READING = 0, 2, 3
_UNHEARD = {"job": NO_READING, "verify": BAD_INPUT}
"""The status, where it is not 0, if nobody reads what is printed: a job is left open, or nobody was
told that it was closed; nor was a report's change."""
Command = Callable[[argparse.Namespace], int]

_UNATTENDED_S = 10.0


def run(arguments: Sequence[str]) -> int:
    """Run one command line and return the exit status.

    Raises
    ------
    SystemExit
        After help or version.
    """
    prepare()
    command = ""
    try:
        command, options = parse(arguments)
        return _COMMANDS[command](options)
    except (SourceError, UsageFault, ProfileError, BookError) as fault:
        tell(f"evenlobe: {fault}")
        return BAD_INPUT
    except BrokenPipeError:
        # Whoever read the output has gone.
        discard(sys.stdout)
        return _UNHEARD.get(command, OK)
    except OSError as fault:
        if fault.filename is None:
            raise
        # A name that the system will not even look up, wherever it was given.
        why = f"{fault.strerror}; name another place, or check the rights of the folders before it"
        tell(f"evenlobe: “{shown(str(fault.filename))}”: {why}")
        return BAD_INPUT
    except MemoryError:
        tell("evenlobe: this computer's memory is full; close other programs, and try again")
        return NO_READING if command == "job" else BAD_INPUT
    except OutputFault as fault:
        discard(sys.stdout)
        tell(f"evenlobe: {fault}")
        return NO_READING if command == "job" else BAD_INPUT


def _dashboard(options: argparse.Namespace) -> int:
    _check_belongings(options)
    session = Session(load_profile(options.profile), _envelope(options))
    if options.steps is not None:
        # Which source a job will be of is not known yet.
        check_steps(options.steps, virtual=True)
    fault = display_fault()
    if fault is None:
        try:
            # Imported here: Qt takes half a second, and may lack libraries that nothing else needs.
            from app.dashboard.program import run_dashboard
        except ImportError as missing:
            fault = str(missing)
        else:
            if options.source is None:
                # Behind the first page, so that the needle already moves when it is left.
                session.open(DEFAULT_SOURCE)
            return run_dashboard(
                session,
                Opening(options.source, options.roles or "") if options.source else None,
                sys.argv[:1],
                options.book,
                steps=options.steps or "",
                open_output=partial(_output, options.tone or ""),
                open_player=SoundPlayer,
            )
    tell(f"evenlobe: no window ({fault}); the needle is shown as text")
    seconds = None if sys.stdout.isatty() else _UNATTENDED_S
    _watch(session, options.source or DEFAULT_SOURCE, options.roles, seconds)
    return OK


def _output(device: str, make_fill: Callable[[float], Fill], measured: str) -> Playback:
    try:
        return Playback(device, make_fill, measured)
    except SourceUnavailable as fault:
        raise OutputUnavailable(str(fault)) from fault


def _measure(options: argparse.Namespace) -> int:
    if options.log is not None and not options.live:
        raise UsageFault("--log keeps what the needle shows: add --live")
    profile, envelope = load_profile(options.profile), _envelope(options)
    if options.live:
        session = Session(profile, envelope)
        with logged(options.log) as log:
            view = _watch(
                session,
                options.source,
                options.roles,
                options.seconds,
                as_objects=options.json,
                log=log,
                unit=options.units,
            )
        return OK if view.reading is not None and view.reading.valid else NO_READING
    source = open_address(options.source, SourceRequest(roles=_roles(options), paced=False))
    with Progress("measuring") as progress:
        measured = measure(source, profile, envelope, options.seconds, progress.show)
    if options.json:
        say(json.dumps(reading_as_json(measured, profile), allow_nan=False))
    else:
        say(reading_as_text(measured, profile, options.units))
    return OK if measured.reading.valid else NO_READING


def _sources(options: argparse.Namespace) -> int:
    del options
    found = attached_sources()
    rows = (*found.sources, ("PATH", "A capture: a sound file, or what a scope exports"))
    width = max(len(address) for address, _ in rows)
    for address, title in rows:
        say(f"{address:<{width}}  {title}")
    for hint in found.hints:
        say(f"hint: {hint}")
    return OK


def _captures(options: argparse.Namespace) -> int:
    for line in captures_as_text(options.folder):
        say(line)
    return OK


def _record(options: argparse.Namespace) -> int:
    source = open_address(options.source, SourceRequest(roles=_roles(options)))
    with Progress("recording") as progress:
        done = record(
            source,
            options.out,
            options.seconds,
            overwrite=options.overwrite,
            progress=progress.show,
        )
    say(f"{options.out}: {done.frames} frames, {done.seconds:.3f} s, {','.join(done.roles)}")
    if done.lost_frames:
        say(f"{done.lost_frames} frames were lost; they stand in the file as not-a-number")
    if done.fault is not None:
        raise done.fault
    return OK


def _simulate(options: argparse.Namespace) -> int:
    with Progress("simulating") as progress:
        done, truth = write_simulation(
            options.source,
            options.out,
            options.seconds,
            _roles(options),
            overwrite=options.overwrite,
            progress=progress.show,
        )
    say(f"{options.out}: {done.seconds:.3f} s of the virtual drive; its truth is in {truth}")
    return OK


def _check_scope(options: argparse.Namespace) -> int:
    from instruments.scope.check import check_scope

    return OK if check_scope(options.address, say) else NO_READING


def _check_source(options: argparse.Namespace) -> int:
    return OK if run_check_source(options, say) else NO_READING


def _virtual_scope(options: argparse.Namespace) -> int:
    from instruments.virtual.scope import serve

    serve(
        options.family,
        options.transport,
        options.port,
        options.options,
        left=tuple(state for state in options.left.split(",") if state),
        answer_s=options.answer_s,
        byte_s=options.byte_s,
        tell=lambda address: say(f"visa:{address}"),
    )
    return OK


def _probes(options: argparse.Namespace) -> int:
    tell_probes(options.name, options.draw, say)
    return OK


def _steps(options: argparse.Namespace) -> int:
    return OK if try_steps(options.address, sys.stdin, say) else NO_READING


def _job(options: argparse.Namespace) -> int:
    return OK if run_job(options, _roles(options), _envelope(options), say) else NO_READING


def _profiles(options: argparse.Namespace) -> int:
    name = options.name
    say(profiles_as_text() if name is None else profile_as_text(load_profile(name)))
    return OK


def _completion(options: argparse.Namespace) -> int:
    say(completion(options.shell))
    return OK


def _man(options: argparse.Namespace) -> int:
    del options
    say(man_page())
    return OK


def _replay(options: argparse.Namespace) -> int:
    if options.file is None:
        list_boxes(say)
    else:
        replay(options.file, as_json=options.json, say=say)
    return OK


def _diagnostics(options: argparse.Namespace) -> int:
    del options
    found = attached_sources()
    say(diagnostics(found.sources, found.hints))
    return OK


def _desktop(options: argparse.Namespace) -> int:
    if not sys.platform.startswith("linux"):
        raise UsageFault(
            "an entry of the desktop is for Linux; elsewhere make a link to this program"
        )
    try:
        if options.remove:
            desktop.remove()
            say("the desktop has no entry of this program any more")
        else:
            for path in desktop.add():
                say(str(path))
    except UnicodeEncodeError:
        raise UsageFault(
            "an entry of the desktop is written in UTF-8, and the name of a folder in which this "
            "program stands is not; give that another"
        ) from None
    except OSError as fault:
        raise UsageFault(
            f"“{fault.filename}” cannot be written: {fault.strerror}; check the folder's rights, "
            "and that the disk has room"
        ) from None
    return OK


def _find(words: str) -> None:
    """Print where the handbook has these words.

    Raises
    ------
    UsageFault
        When it has them nowhere.
    """
    found = found_in(words)
    if not found:
        raise UsageFault(f"“{words}” is nowhere in the handbook; try one word of it")
    for topic, told in found:
        say("\n".join(textwrap.wrap(f"{topic.name}: {told}", 96, subsequent_indent="  ")))


def _help(options: argparse.Namespace) -> int:
    word: str | None = options.topic
    if options.all:
        say(whole_text())
    elif options.find is not None:
        _find(options.find)
    elif word in TOPICS:
        say(as_text(TOPICS[word]))
    elif word in COMMANDS:
        parse([word, "--help"])
    elif word is not None:
        meant = nearest(word, (*TOPICS, *COMMANDS), "evenlobe help ")
        raise UsageFault(f"“{word}” is no topic of the help and no command; {meant}")
    else:
        for head, rows in (
            ("topics", [(topic.name, topic.title) for topic in TOPICS.values()]),
            ("commands", [(name, title) for name, (title, _) in COMMANDS.items()]),
        ):
            say(f"{head}:\n" + "\n".join(f"  {name:<13} {title}" for name, title in rows))
    return OK


def _of_book(act: Callable[[argparse.Namespace, Callable[[str], None]], None]) -> Command:
    """Return a command that is done where nothing is raised."""

    def run_one(options: argparse.Namespace) -> int:
        act(options, say)
        return OK

    return run_one


_COMMANDS: dict[str, Command] = {
    "": _dashboard,
    "measure": _measure,
    "sources": _sources,
    "captures": _captures,
    "record": _record,
    "simulate": _simulate,
    "job": _job,
    "drives": _of_book(list_drives),
    "calibrations": _of_book(list_calibrations),
    "describe": _of_book(describe),
    "report": _of_book(run_report),
    "verify": lambda options: OK if verify(options, say) else NO_READING,
    "export": _of_book(export),
    "import": _of_book(import_),
    "backup": _of_book(backup),
    "restore": _of_book(restore),
    "profiles": _profiles,
    "check-scope": _check_scope,
    "check-source": _check_source,
    "virtual-scope": _virtual_scope,
    "steps": _steps,
    "probes": _probes,
    "replay": _replay,
    "diagnostics": _diagnostics,
    "desktop": _desktop,
    "completion": _completion,
    "man": _man,
    "help": _help,
}


def _watch(
    session: Session,
    address: str,
    roles: str | None,
    seconds: float | None,
    *,
    as_objects: bool = False,
    log: NewReadings | None = None,
    unit: Unit = Unit.UM,
) -> View:
    """Show the needle as text or objects, and return the last view.

    Raises
    ------
    SourceError
        When the source has failed; a fault of the program's own is raised as it is.
    """
    session.open(address, roles)
    try:
        with writing():
            how = {"as_objects": as_objects, "log": log, "unit": unit}
            view = run_meter(session, sys.stdout, seconds, **how)
        fault = session.error
    finally:
        session.close()
    if fault is not None:
        raise fault
    return view


def _check_belongings(options: argparse.Namespace) -> None:
    """Refuse what says something of a source when none is named."""
    stated = (options.roles, options.low_corner, options.detector_threshold)
    if options.source is None and any(value is not None for value in stated):
        raise UsageFault(
            "--roles, --low-corner and --detector-threshold say something of a source: name one, "
            "as evenlobe sound: --roles envelope,index"
        )


def _roles(options: argparse.Namespace) -> tuple[Role | None, ...] | None:
    return parse_roles(options.roles) if options.roles is not None else None


def _envelope(options: argparse.Namespace) -> EnvelopeOptions:
    return envelope_options(options.low_corner, options.detector_threshold)
