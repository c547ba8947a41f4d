"""The command ``check-source``: what an input can and cannot do, in words and as JSON."""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Callable
from datetime import date
from typing import Any

from app.analysis.envelope.setup import is_beyond
from app.analysis.frontend.detector import DetectorLaw
from app.analysis.frontend.limits import LimitingPart, together_um
from app.analysis.frontend.linear import LinearPath
from app.analysis.frontend.quiet import QuietChannel
from app.cli.arguments import UsageFault
from app.cli.measure import Progress
from app.cli.options import METER_ASKED, meter_reading
from app.cli.prompting import asked
from app.live.generator_check import LEVEL_PART, check_by_generator
from app.live.loop_check import NOT_QUIET, STEADY_S, LoopFault, LoopFound, check_loop, play_steady
from app.live.proving import (
    SETTLE_S,
    chain_of,
    keep,
    kept_as_played,
    let_go_where_moved,
    limits_by,
    proof_of,
    recheck,
    recheck_words,
)
from app.live.source_check import QUIET_S, QuietCheck, listen, quiet_check_of
from app.numbers import plus_minus
from app.profiles import Profile, load_profile
from app.text import roles_note
from instruments.address import open_address
from instruments.options import Toleranced
from instruments.proof import InputProof
from instruments.sound.player import SoundPlayer
from instruments.source import Role, Source, SourceRequest, parse_roles

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
    UsageFault, SourceError, ProfileError
        When the source cannot be read, nothing usable comes back of what is played, or there is no
        such profile.
    """
    profile = load_profile(options.profile)
    roles = None if options.roles is None else parse_roles(options.roles)
    if options.meter is not None and options.play is None:
        raise UsageFault("--meter reads a test tone; name the output that plays it with --play")
    if options.generator is not None and (options.play is not None or not sys.stdin.isatty()):
        raise UsageFault(
            "--generator is led by questions at a terminal, and stands alone, without --play"
        )
    # Where an earlier check found tops cut there may be none any more.
    fresh = not options.quick and (options.play is not None or options.generator is not None)
    source = open_address(options.address, SourceRequest(roles=roles, paced=False, fresh=fresh))
    source.open()
    loop, meter = None, None
    try:
        if source.info.live:
            # What a sound server had gathered, and what a coupling does at its beginning.
            listen(source, SETTLE_S)
        # A quick check is as quiet as it needs to be before it plays.
        is_heard_later = (options.quick and options.play) or options.generator
        quiet = None if is_heard_later else _listened(source, options)
        if options.play is not None and quiet is not None and not quiet.is_quiet:
            raise LoopFault(NOT_QUIET)
        if options.play is not None:
            loop, meter = _play(source, profile, options)
        if options.generator is not None:
            loop = check_by_generator(
                source, profile.carrier_hz, options.generator, _AtGenerator(), _tell
            )
    finally:
        source.close()
    if quiet is None:
        assert loop is not None
        quiet = loop.quiet
    now = _proof(source, quiet, loop, meter, options)
    kept = _keep(source, now, options)
    if options.json:
        say(json.dumps(check_as_json(quiet, loop, profile, now), allow_nan=False))
    else:
        say("\n".join([*check_as_lines(quiet, loop, profile, now), *([kept] if kept else [])]))
    return loop is not None or quiet.is_quiet


def _listened(source: Source, options: argparse.Namespace) -> QuietCheck:
    with Progress("listening") as progress:
        heard = listen(source, options.seconds or QUIET_S, progress.show)
    return quiet_check_of(source.info, heard)


def _play(
    source: Source, profile: Profile, options: argparse.Namespace
) -> tuple[LoopFound, Toleranced | None]:
    """Ask, play, and measure what comes back; have a meter read where that is wanted."""
    at_most = options.at_most / 100.0
    _ask_leave(options.play, at_most, yes=options.yes)
    rate_hz = round(source.info.sample_rate_hz)
    proof = source.info.proof
    known = proof.level if options.quick and proof is not None and proof.level else None
    player = SoundPlayer(options.play, rate_hz)
    try:
        loop = check_loop(
            source,
            player,
            profile.carrier_hz,
            _tell,
            at_most=at_most,
            quick=options.quick,
            known_level=known,
        )
        if options.meter is not METER_ASKED:
            return loop, options.meter
        _tell(
            f"plays a steady tone of {_hertz(loop.hz)} at {100.0 * loop.level:.3g} % of full scale "
            f"for {STEADY_S} s: read the meter at the test points, in volts r.m.s., as 0.35+-2%"
        )
        play_steady(player, rate_hz, loop.hz, loop.level)
        try:
            return loop, _typed_meter()
        finally:
            player.silence()
    finally:
        player.close()


class _AtGenerator:
    """The person at the generator, by way of the terminal."""

    def set_level(self, volts_pp: float) -> Toleranced:
        """Have a level set; returns what is typed, or that level where nothing is."""
        while True:
            typed = asked(
                f"set {_volts(volts_pp)} peak to peak at the probe's tips, output off (Enter: it "
                "is; or what it is, as 0.52 or 0.52+-0.5%)"
            )
            if not typed:
                return Toleranced(volts_pp, LEVEL_PART)
            try:
                read = meter_reading(typed)
            except argparse.ArgumentTypeError as fault:
                _tell(str(fault))
                continue
            return read if "%" in typed else Toleranced(read.value, LEVEL_PART)


def _typed_meter() -> Toleranced | None:
    """Return what was read on the meter; None where nothing was typed."""
    while True:
        typed = asked("volts r.m.s. (Enter alone: none)")
        if not typed:
            return None
        try:
            return meter_reading(typed)
        except argparse.ArgumentTypeError as fault:
            _tell(str(fault))


def _proof(
    source: Source,
    quiet: QuietCheck,
    loop: LoopFound | None,
    meter: Toleranced | None,
    options: argparse.Namespace,
) -> InputProof | None:
    """Return what is to be kept, None of an input that is not known again and of one not quiet.

    Raises
    ------
    LoopFault
        When a reading could not use it.
    """
    if source.identity is None or not quiet.is_quiet:
        return None
    today = date.today().isoformat()
    return proof_of(source.identity, quiet, loop, options.play or "", today, meter)


def _keep(source: Source, now: InputProof | None, options: argparse.Namespace) -> str:
    """Keep what was found of an input, or hold it against what is kept; returns that in words.

    Raises
    ------
    SourceError
        When it cannot be kept.
    """
    identity = source.identity
    if identity is None:
        return (
            ""
            if options.play is None and options.generator is None
            else "kept         nothing: only sound inputs and scopes are known again"
        )
    before = source.info.proof
    was_heard_alone = now is None or (not now.output and now.detector is None)
    if was_heard_alone and (played := kept_as_played(identity)) is not None:
        unlike = played.identity.unlike(identity)
        why = f"; it does not count now: {unlike}" if unlike else ""
        return f"kept         what was played and found on {played.made_on}, as it was{why}"
    if now is None:
        return "kept         nothing: a signal is there"
    if options.quick and before is not None and before.output:
        moved = let_go_where_moved(before, now)
        if not moved:
            return f"kept         what was checked on {before.made_on} still holds"
        return (
            f"kept         nothing any more: {moved}; check again without --quick before the next "
            "reading"
        )
    return f"kept         {keep(now)}: used from now on by this input"


def recheck_before_job(
    source: Source, profile: Profile, say: Callable[[str], None], *, wanted: bool
) -> None:
    """Look, before a job, whether what is kept of an open input holds; a terminal is asked.

    Where it does not, the source is opened anew, without it.

    Raises
    ------
    UsageFault, SourceError
        When it is wanted by the command line and cannot be.
    """
    proof = source.info.proof
    if proof is None or not proof.output:
        if wanted:
            raise UsageFault(
                "--recheck: nothing that was played is kept of this input; check it with "
                "check-source --play first"
            )
        return
    if not wanted and not _is_asked_for(proof):
        return
    while True:
        try:
            moved = _recheck(source, profile, proof)
            break
        except LoopFault as fault:
            if wanted:
                raise
            _tell(f"{fault}")
            if not _is_asked_for(proof):
                return
    if not moved:
        say(f"note: what was checked of this input on {proof.made_on} still holds")
        return
    say(
        f"note: what was checked of this input on {proof.made_on} counts no more: {moved}; the job "
        "is read without it"
    )
    source.close()
    source.open()


def _is_asked_for(proof: InputProof) -> bool:
    if not sys.stdin.isatty():
        return False
    _tell(recheck_words(proof))
    return asked("play? (y/n)").lower() in _YES


def _recheck(source: Source, profile: Profile, proof: InputProof) -> str:
    player = SoundPlayer(proof.output, round(source.info.sample_rate_hz))
    try:
        return recheck(source, player, profile, _tell)
    finally:
        player.close()


_YES = ("y", "yes")


def _ask_leave(output: str, at_most: float, *, yes: bool) -> None:
    """Have the person say that tones may be played.

    Raises
    ------
    UsageFault
        When they may not, or nobody can be asked.
    """
    if yes:
        return
    if not sys.stdin.isatty():
        raise UsageFault("nothing is played before it is allowed; add --yes to --play")
    _tell(
        f"Test tones will be played on “{output}”, from nothing up to {100.0 * at_most:.3g} % of "
        "its full scale, for half a minute. Unplug headphones and loudspeakers; lead the output "
        "through the probe to the input, and nowhere else."
    )
    if asked("play? (y/n)").lower() not in _YES:
        raise UsageFault("nothing was played")


def _tell(line: str) -> None:
    sys.stderr.write(line + "\n")
    sys.stderr.flush()


def check_as_lines(
    quiet: QuietCheck, loop: LoopFound | None, profile: Profile, proof: InputProof | None = None
) -> list[str]:
    """Return what was found, a line each; of the input's volts what is kept says."""
    info = quiet.info
    lines = [f"source       {info.name}", f"listened     {quiet.seconds:.1f} s"]
    for role, channel in quiet.channels.items():
        lines += _channel_lines(role, channel, quiet.full_scale_v)
    if quiet.common is not None:
        lines.append(
            f"phases       minus has {quiet.common.match:.4f} of plus's gain; what is common is "
            f"kept down by {quiet.common.rejection_db:.0f} dB (by the hum on both)"
        )
    if quiet.floor_v is not None:
        lines.append(
            f"pairs        lie {_volts(2.0 * quiet.floor_v[0])} apart with nothing but noise; that "
            "is the least of a reading's floor from now on"
        )
    lines.append(f"clock        {_clock_words(quiet)}")
    if loop is not None:
        lines += loop_lines(loop, profile)
    if proof is not None and proof.full_scale_v:
        lines.append(
            f"volts        clips at a peak of {_volts(proof.full_scale_v)} at the test points, "
            f"within ± {100.0 * proof.full_scale_part:.2g} %, by "
            + ("the meter's reading" if proof.output else "what was stated of the generator")
        )
    lines += _limit_lines(quiet, loop, profile)
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


def loop_lines(loop: LoopFound, profile: Profile) -> list[str]:
    """Return what was found by playing, a line each."""
    carrier = f"{loop.hz / 1e3:.4g} kHz"
    if loop.stated_part is not None:
        lines = [f"generator    {carrier}, up to {2.0 * loop.level:.3g} V peak to peak as stated"]
    else:
        lines = [f"played       tones of {carrier}, up to {100.0 * loop.level:.3g} % of full scale"]
    if loop.quiet.full_scale_v is not None and loop.stated_part is None:
        part = 100.0 * loop.gain_v / loop.quiet.full_scale_v
        lines.append(
            f"gain         {part:.3g} % of the input's full scale for an output at full scale"
        )
    if loop.straight_v:
        lines.append(_straight_line(loop))
    if loop.detector is not None:
        lines += _detector_lines(loop, loop.detector, profile)
    if loop.linear is not None:
        lines += _path_lines(loop.linear)
    return lines


def _straight_line(loop: LoopFound) -> str:
    """Return up to where what came back followed what was played."""
    full_v = loop.quiet.full_scale_v or 1.0
    part = f"{_volts(loop.straight_v)}, {100.0 * loop.straight_v / full_v:.3g} % of full scale"
    if loop.limit_v:
        return (
            f"cut          at {part}: the input's own stage, or the output's; what stands there "
            "parks a reading. To tell which, check again with the output's volume at half"
        )
    if loop.straight_v < full_v:
        return f"straight     up to {part}, the most that came; nothing is proved above"
    return "straight     up to full scale"


def _detector_lines(loop: LoopFound, law: DetectorLaw, profile: Profile) -> list[str]:
    top_v = float(law.out_v[-1])
    threshold = plus_minus(1e3 * law.threshold_v, 1e3 * law.threshold_u_v, " mV")
    part = f"{100.0 * law.threshold_v / top_v:.2g} %"
    rises = f", it rises in {1e6 * law.rise_s:.0f} µs" if law.rise_s else ""
    lines = [
        f"detector     keeps {threshold} for itself ({part} of the highest level), its knee "
        f"reaches to {_volts(law.knee_v)}{rises}",
        f"{'':<12} proved from {_volts(float(law.out_v[0]))} to {_volts(top_v)}",
    ]
    if law.polarity < 0:
        lines.append(f"{'':<12} it stands on its head: more signal gives less; turn it round")
    if is_beyond(profile.carrier_hz, loop.hz):
        lines.append(
            f"{'':<12} proved up to {_hertz(loop.hz)}; at {_hertz(profile.carrier_hz)} the law is "
            "taken as the same, within 1.5 % of the top"
        )
    corner = "none: DC-coupled"
    if law.corner_hz:
        corner = f"{plus_minus(law.corner_hz, law.corner_u_hz, ' Hz')}, the input's alone"
    return [*lines, f"low corner   {corner}"]


def _path_lines(path: LinearPath) -> list[str]:
    lines: list[str] = []
    if path.match is not None:
        whose = "the inputs' own" if path.shared else "of outputs and inputs together"
        lines.append(f"match        {plus_minus(path.match, path.match_u)} ({whose})")
    if path.crosstalk_db is not None:
        lines.append(f"crosstalk    {path.crosstalk_db:.0f} dB")
    if path.rejection_db is not None:
        lines.append(f"rejection    {path.rejection_db:.0f} dB of what is common")
    if path.bits is not None:
        lines.append(f"loop         {path.bits:.1f} effective bits (sine fit, IEEE 1057)")
    corner = f"{path.corner_hz:.2g} Hz" if path.corner_hz else "below 2 Hz"
    return [
        *lines,
        f"low corner   {corner}: that of output and input together; a detector tells them apart",
        f"band         {', '.join(f'{part:.3f} at {_hertz(hz)}' for hz, part in path.band)}",
    ]


def _hertz(hz: float) -> str:
    return f"{hz / 1e3:.3g} kHz" if hz >= 1e3 else f"{hz:.3g} Hz"


def _detector_json(loop: LoopFound, law: DetectorLaw) -> dict[str, Any]:
    return {
        "played_hz": loop.hz,
        "level": loop.level,
        "stated_tolerance": loop.stated_part,
        "gain_v": loop.gain_v,
        "threshold_v": {"value": law.threshold_v, "u": law.threshold_u_v},
        "knee_v": law.knee_v,
        "polarity": law.polarity,
        "rise_s": law.rise_s,
        "low_corner_hz": {"value": law.corner_hz, "u": law.corner_u_hz},
        "out_v": law.out_v.tolist(),
        "in_v": law.in_v.tolist(),
        "law_u_v": law.law_u_v,
    }


def _path_json(loop: LoopFound, path: LinearPath) -> dict[str, Any]:
    return {
        "played_hz": loop.hz,
        "level": loop.level,
        "gain_v": loop.gain_v,
        "match": None if path.match is None else {"value": path.match, "u": path.match_u},
        "shared": path.shared,
        "crosstalk_db": path.crosstalk_db,
        "rejection_db": path.rejection_db,
        "bits": path.bits,
        "low_corner_product_hz": path.corner_hz,
        "band": [list(each) for each in path.band],
    }


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


def _limits(
    quiet: QuietCheck, loop: LoopFound | None, profile: Profile
) -> tuple[LimitingPart, ...]:
    chain = chain_of(quiet, loop, profile)
    return () if chain is None else limits_by(chain, profile)


def _limit_lines(quiet: QuietCheck, loop: LoopFound | None, profile: Profile) -> list[str]:
    limits = _limits(quiet, loop, profile)
    if not limits:
        return []
    parts = ", ".join(f"{limit.part} {2.0 * limit.u_um:.2g} µm" for limit in limits)
    return [
        f"resolves     ± {2.0 * together_um(limits):.2g} µm of head offset in ten turns, with the "
        f"taller lobe at half of where it clips; its {limits[0].part} limits ({parts})"
    ]


def _notes(quiet: QuietCheck) -> list[str]:
    info = quiet.info
    notes = [roles_note(info.roles_from, info.roles), *info.notes]
    if not quiet.channels:
        notes.append(_NO_CHANNELS)
    elif not quiet.is_quiet:
        notes.append(_BUSY)
    return [note for note in notes if note]


def check_as_json(
    quiet: QuietCheck, loop: LoopFound | None, profile: Profile, proof: InputProof | None = None
) -> dict[str, Any]:
    """Return what was found as plain values: the object that ``--json`` prints."""
    info, clock = quiet.info, quiet.clock
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
        "detector": loop and loop.detector and _detector_json(loop, loop.detector),
        "path": loop and loop.linear and _path_json(loop, loop.linear),
        "cut_v": (loop and loop.limit_v) or None,
        "straight_v": (loop and loop.straight_v) or None,
        "volts": None
        if proof is None or not proof.full_scale_v
        else {"full_scale_v": proof.full_scale_v, "tolerance": proof.full_scale_part},
        "floor_v": quiet.floor_v and quiet.floor_v[0],
        "limits_um": {limit.part: limit.u_um for limit in _limits(quiet, loop, profile)},
        "notes": _notes(quiet),
    }
