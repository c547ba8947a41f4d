"""The command ``check-source``: what an input can and cannot do, in words and as JSON."""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Callable
from typing import Any

from app.analysis.frontend.limits import SignalChain, limits_of, together_um
from app.analysis.frontend.quiet import QuietChannel
from app.cli.measure import Progress
from app.live.source_check import QuietCheck, check_quiet
from app.numbers import plus_minus
from app.profiles import Profile, load_profile
from app.text import roles_note
from instruments.address import open_address
from instruments.source import Role, SourceRequest, parse_roles

SCHEMA = "evenlobe.source-check/1"
_BUSY = (
    "a signal is there, and stands in what is told as noise: stop the drive's motor, or whatever "
    "else gives it, and check again"
)
_NO_CHANNELS = "too little came to tell anything; listen longer with --seconds"


def run_check_source(options: argparse.Namespace, say: Callable[[str], None]) -> bool:
    """Check the input that a command line names; returns whether it could be told what it is like.

    Raises
    ------
    SourceError, ProfileError
        When the source cannot be read, or there is no such profile.
    """
    profile = load_profile(options.profile)
    roles = None if options.roles is None else parse_roles(options.roles)
    source = open_address(options.address, SourceRequest(roles=roles, paced=False))
    with Progress("listening") as progress:
        quiet = check_quiet(source, options.seconds, progress.show)
    if options.json:
        say(json.dumps(check_as_json(quiet, profile), allow_nan=False))
    else:
        say("\n".join(check_as_lines(quiet, profile)))
    return quiet.is_quiet


def check_as_lines(quiet: QuietCheck, profile: Profile) -> list[str]:
    """Return what was found, a line each."""
    info = quiet.info
    lines = [f"source       {info.name}", f"listened     {quiet.seconds:.1f} s"]
    for role, channel in quiet.channels.items():
        lines += _channel_lines(role, channel, quiet.full_scale_v)
    if quiet.common is not None:
        lines.append(
            f"phases       minus has {quiet.common.match:.4f} of plus's gain; what is common is "
            f"kept down by {quiet.common.rejection_db:.0f} dB (by the hum on both)"
        )
    lines.append(f"clock        {_clock_words(quiet)}")
    lines += _limit_lines(quiet, profile)
    return [*lines, *(f"note         {note}" for note in _notes(quiet))]


def _channel_lines(role: Role, channel: QuietChannel, full_scale_v: float | None) -> list[str]:
    words = [f"noise {_volts(channel.noise_v)} rms", f"offset {_volts(channel.offset_v)}"]
    if channel.hum_v:
        words.append(f"hum {_volts(channel.hum_v)} rms at {channel.hum_hz:.0f} Hz and above")
    words.append(f"steps of {_volts(channel.step_v)}" if channel.step_v else "no steps seen")
    lines = [f"{role:<12} {', '.join(words)}"]
    if full_scale_v is not None:
        bits = channel.bits_of(full_scale_v)
        effective = "" if bits is None else f"; the noise leaves {bits:.1f} effective bits"
        lines.append(f"{'':<12} clips at {_volts(full_scale_v)}{effective}")
    return lines


def _volts(value: float) -> str:
    """Return volts with three digits, in V, mV or µV."""
    for unit, least in (("V", 1.0), ("mV", 1e-3)):
        if abs(value) >= least:
            return f"{value / least:.3g} {unit}"
    return f"{value * 1e6:.3g} µV"


def _clock_words(quiet: QuietCheck) -> str:
    clock = quiet.clock
    if clock is None:
        return "not told: a live source has to be listened to for some seconds"
    found = plus_minus(1e6 * clock.fast_part, 1e6 * clock.u_part, " ppm", sign="+")
    own = 1e6 * quiet.system_u_part * 2.0
    return f"{found} against this computer's, whose own is known within {own:.0f} ppm"


def _chain(quiet: QuietCheck) -> SignalChain | None:
    """Return what an estimate of the limits needs, None where it is not known."""
    if quiet.full_scale_v is None or not quiet.is_quiet:
        return None
    return SignalChain(
        noise_v=tuple(channel.noise_v for channel in quiet.channels.values()),
        step_v=tuple(channel.step_v for channel in quiet.channels.values()),
        full_scale_v=quiet.full_scale_v,
        rate_hz=quiet.info.sample_rate_hz,
        envelope=Role.ENVELOPE in quiet.info.roles,
    )


def _limit_lines(quiet: QuietCheck, profile: Profile) -> list[str]:
    chain = _chain(quiet)
    if chain is None:
        return []
    limits = limits_of(chain, profile.scale_um, 60.0 / profile.speed_rpm)
    parts = ", ".join(f"{limit.part} {2.0 * limit.u_um:.2g} µm" for limit in limits)
    return [
        f"resolves     ± {2.0 * together_um(limits):.2g} µm of head offset in ten turns, with the "
        f"taller lobe at half of that; {limits[0].part} limits ({parts})"
    ]


def _notes(quiet: QuietCheck) -> list[str]:
    info = quiet.info
    notes = [roles_note(info.roles_from, info.roles), *info.notes]
    if not quiet.channels:
        notes.append(_NO_CHANNELS)
    elif not quiet.is_quiet:
        notes.append(_BUSY)
    return [note for note in notes if note]


def check_as_json(quiet: QuietCheck, profile: Profile) -> dict[str, Any]:
    """Return what was found as plain values: the object that ``--json`` prints."""
    info, clock, chain = quiet.info, quiet.clock, _chain(quiet)
    limits = () if chain is None else limits_of(chain, profile.scale_um, 60.0 / profile.speed_rpm)
    return {
        "schema": SCHEMA,
        "source": info.name,
        "virtual": info.virtual,
        "profile": profile.name,
        "rate_hz": info.sample_rate_hz,
        "seconds": quiet.seconds,
        "quiet": quiet.is_quiet,
        "full_scale_v": quiet.full_scale_v,
        "channels": [
            {
                "role": role,
                "offset_v": channel.offset_v,
                "noise_v": channel.noise_v,
                "hum_v": channel.hum_v,
                "hum_hz": channel.hum_hz or None,
                "step_v": channel.step_v or None,
                "noise_bits": None
                if quiet.full_scale_v is None
                else channel.bits_of(quiet.full_scale_v),
            }
            for role, channel in quiet.channels.items()
        ],
        "common": quiet.common
        and {"match": quiet.common.match, "rejection_db": quiet.common.rejection_db},
        "clock": clock
        and {
            "fast_ppm": 1e6 * clock.fast_part,
            "u_ppm": 1e6 * clock.u_part,
            "u_true_ppm": 1e6 * math.hypot(clock.u_part, quiet.system_u_part),
        },
        "limits_um": {limit.part: limit.u_um for limit in limits},
        "notes": _notes(quiet),
    }
