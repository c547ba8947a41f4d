"""The commands. Each returns an exit status: 0 done, 2 bad usage or input, 3 no valid reading."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from importlib import metadata
from pathlib import Path

from app.measure import LIVE_SECONDS, EnvelopeOptions, Measured, measure
from app.display import display_is_there
from app.profiles import Profile, ProfileError, load_profile
from app.recording import record, write_simulation
from app.session import Session
from app.terminal import Progress, run_meter
from app.view import Phase, View
from app.words import reading_as_json, reading_as_text
from instruments.addresses import attached_sources, open_address
from instruments.source import SourceError, SourceRequest, parse_roles

DEFAULT_SOURCE = "sim:"
DEFAULT_PROFILE = "130mm-48tpi"
_UNATTENDED_S = 10.0

OK, BAD_INPUT, NO_READING = 0, 2, 3


class UsageFault(Exception):  # noqa: N818
    """Something on the command line cannot be used; the message says what to do."""


def parser() -> argparse.ArgumentParser:
    """Return the command line's grammar."""
    top = argparse.ArgumentParser(
        prog="evenlobe",
        description="A live bench instrument for the radial head alignment of removable-disk "
        "drives. Without a command: the dashboard, or where there is no display, a meter in the "
        "terminal.",
        epilog="Sources: sim: (the virtual drive), a capture file, sound:DEVICE.",
    )
    top.add_argument("--version", action="version", version=f"evenlobe {version()}")
    top.add_argument("--source", metavar="SOURCE", help="open this source at once")
    _add_analysis(top)
    commands = top.add_subparsers(dest="command", metavar="COMMAND")

    one = commands.add_parser("measure", help="measure a source once, or show its needle as text")
    one.add_argument("source", metavar="SOURCE")
    how = one.add_mutually_exclusive_group()
    how.add_argument("--json", action="store_true", help="print the reading as one JSON object")
    how.add_argument("--live", action="store_true", help="show a moving needle until Ctrl-C")
    one.add_argument(
        "--seconds",
        type=_positive,
        metavar="N",
        help=f"how much to measure (a capture: all of it; else {LIVE_SECONDS:g} s)",
    )
    _add_analysis(one)

    commands.add_parser("sources", help="list what can be opened now")

    keep = commands.add_parser("record", help="record a source to a WAV file")
    keep.add_argument("source", metavar="SOURCE")
    keep.add_argument("out", metavar="OUT.wav", type=Path)
    keep.add_argument("--seconds", type=_positive, metavar="N", help="how long (else until Ctrl-C)")
    keep.add_argument("--roles", metavar="ROLES", help=_ROLES_HELP)
    keep.add_argument("--overwrite", action="store_true", help="replace a file of that name")

    make = commands.add_parser("simulate", help="write the virtual drive to a WAV file")
    make.add_argument("out", metavar="OUT.wav", type=Path)
    make.add_argument(
        "--source", metavar="SIM", default=DEFAULT_SOURCE, help="a sim: address with its options"
    )
    make.add_argument("--seconds", type=_positive, metavar="N", default=LIVE_SECONDS)
    make.add_argument("--roles", metavar="ROLES", help=_ROLES_HELP)
    make.add_argument("--overwrite", action="store_true", help="replace files of that name")
    return top


_ROLES_HELP = (
    "what the columns carry, in order: plus, minus, differential, envelope, index, or - to skip"
)


def _add_analysis(to: argparse.ArgumentParser) -> None:
    to.add_argument("--roles", metavar="ROLES", help=_ROLES_HELP)
    to.add_argument("--profile", metavar="NAME", default=DEFAULT_PROFILE, help="drive and disk")
    to.add_argument(
        "--low-corner",
        type=_not_negative,
        metavar="HZ",
        help="corner of an AC-coupled input ahead of an envelope (0: DC-coupled)",
    )
    to.add_argument(
        "--detector-threshold",
        type=_not_negative,
        metavar="V",
        help="what the detector of an envelope keeps for itself (0: it is linear)",
    )


def version() -> str:
    """Return the installed version."""
    return metadata.version("evenlobe")


def run(arguments: Sequence[str]) -> int:
    """Run one command line and return the exit status."""
    options = parser().parse_args(arguments)
    commands = {
        None: _dashboard,
        "measure": _measure,
        "sources": _sources,
        "record": _record,
        "simulate": _simulate,
    }
    try:
        return commands[options.command](options)
    except (SourceError, UsageFault) as fault:
        _tell(f"evenlobe: {fault}")
        return BAD_INPUT
    except BrokenPipeError:
        # Whoever read our output has gone; there is nobody left to tell.
        sys.stderr.close()
        return OK


def _dashboard(options: argparse.Namespace) -> int:
    session = Session(_profile(options), _envelope(options))
    if display_is_there():
        try:
            # Imported here: Qt takes half a second, and may lack libraries that nothing else needs.
            from app.dashboard.run import run_dashboard
        except ImportError as fault:
            _tell(f"evenlobe: no window ({fault}); showing the meter here instead")
        else:
            return run_dashboard(session, options.source, sys.argv[:1], options.roles)
    session.open(options.source or DEFAULT_SOURCE, options.roles)
    attended = sys.stdout.isatty()
    view = run_meter(session, sys.stdout, None if attended else _UNATTENDED_S)
    session.close()
    return _ended(view)


def _measure(options: argparse.Namespace) -> int:
    profile, envelope = _profile(options), _envelope(options)
    if options.live:
        session = Session(profile, envelope)
        session.open(options.source, options.roles)
        view = run_meter(session, sys.stdout, options.seconds)
        session.close()
        failed = _ended(view)
        return failed or (OK if view.reading and view.reading.valid else NO_READING)
    roles = parse_roles(options.roles) if options.roles else None
    source = open_address(options.source, SourceRequest(roles=roles, paced=False))
    with Progress("measuring") as progress:
        measured = measure(source, profile, envelope, options.seconds, progress.show)
    _print_reading(measured, profile, as_json=options.json)
    return OK if measured.reading.valid else NO_READING


def _print_reading(measured: Measured, profile: Profile, *, as_json: bool) -> None:
    if as_json:
        _say(json.dumps(reading_as_json(measured, profile), ensure_ascii=False, allow_nan=False))
    else:
        _say(reading_as_text(measured, profile))


def _sources(options: argparse.Namespace) -> int:
    del options
    rows = attached_sources()
    width = max(len(address) for address, _ in rows)
    for address, title in rows:
        _say(f"{address:<{width}}  {title}")
    _say(f"{'PATH.wav':<{width}}  a capture: WAV, RF64, or a scope's CSV export")
    return OK


def _record(options: argparse.Namespace) -> int:
    roles = parse_roles(options.roles) if options.roles else None
    source = open_address(options.source, SourceRequest(roles=roles))
    with Progress("recording") as progress:
        done = record(
            source,
            options.out,
            options.seconds,
            overwrite=options.overwrite,
            progress=progress.show,
        )
    _say(f"{options.out}: {done.frames} frames, {done.seconds:.3f} s, {','.join(done.roles)}")
    if done.lost_frames:
        _say(f"{done.lost_frames} frames were lost; they stand in the file as not-a-number")
    return OK


def _simulate(options: argparse.Namespace) -> int:
    roles = parse_roles(options.roles) if options.roles else None
    truth = write_simulation(
        options.source, options.out, options.seconds, roles, overwrite=options.overwrite
    )
    _say(f"{options.out}: {options.seconds:g} s of the virtual drive; its truth is in {truth}")
    return OK


def _ended(view: View) -> int:
    """Return the exit status that the end of a live view calls for."""
    if view.phase is Phase.FAILED:
        _tell(f"evenlobe: {view.message}")
        return BAD_INPUT
    return OK


def _profile(options: argparse.Namespace) -> Profile:
    try:
        return load_profile(options.profile)
    except ProfileError as fault:
        raise UsageFault(str(fault)) from None


def _envelope(options: argparse.Namespace) -> EnvelopeOptions:
    return EnvelopeOptions(options.low_corner, options.detector_threshold)


def _positive(text: str) -> float:
    value = _not_negative(text)
    if value == 0.0:
        raise argparse.ArgumentTypeError(f"{text} is not above 0")
    return value


def _not_negative(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text} is not a number") from None
    if not 0.0 <= value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text} is not a finite number from 0 up")
    return value


def _say(line: str) -> None:
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def _tell(line: str) -> None:
    sys.stderr.write(line + "\n")
    sys.stderr.flush()
