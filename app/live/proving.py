"""From what a check found to what is kept of an input, whether that holds, and what it allows."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from math import hypot, sqrt
from pathlib import Path

from app.analysis.envelope.detector import KNEE_U
from app.analysis.envelope.setup import is_beyond
from app.analysis.frontend.detector import DetectorLaw
from app.analysis.frontend.limits import TOP_PART, LimitingPart, SignalChain, limits_of, together_um
from app.analysis.messages import RESOLVES, RESOLVES_UNCHECKED, RESOLVES_UNPROVED, fill
from app.analysis.results import Message
from app.analysis.uncertainty import CLOCK_PART
from app.files import atomic_write, folder_for
from app.live.loop_check import NOT_QUIET, LoopFault, LoopFound, Player, Tell, check_loop
from app.live.source_check import QUIET_S, QuietCheck, listen, quiet_check_of
from app.profiles import Profile
from app.stamp import version
from instruments.kept import proof_path, read_proof
from instruments.options import Toleranced
from instruments.proof import DetectorProof, InputIdentity, InputProof
from instruments.proof_text import as_toml
from instruments.source import Role, Source, SourceError, SourceInfo

_HOLDS_PART = 0.01
"""By so much corner and threshold may move, of the corner and of the highest level."""
_GAIN_HOLDS_PART = 0.02
_MATCH_HOLDS = 0.002
_FASTEST = 1e-3
"""No sample clock is further off (common practice: 100 parts in a million)."""
SETTLE_S = 1.0
"""Passed over when a live input has just been opened."""


def proof_of(
    identity: InputIdentity,
    quiet: QuietCheck,
    loop: LoopFound | None,
    output: str,
    made_on: str,
    meter: Toleranced | None = None,
) -> InputProof:
    """Return what is kept of a check.

    Parameters
    ----------
    loop : LoopFound or None
        None where the input was listened to alone.
    output : str
        What was played on.
    made_on : str
        The day, as ISO 8601 writes it.
    meter : Toleranced, optional
        Volts, r.m.s., at the test points while the highest tone was played.

    Raises
    ------
    LoopFault
        When what was found is no detector that a reading can use.
    """
    if loop is not None and loop.detector is not None and loop.detector.polarity < 0:
        raise LoopFault(
            "the detector stands on its head, more signal gives less; turn it round and check "
            "again: nothing is kept"
        )
    full_v = quiet.full_scale_v or 1.0
    channels = quiet.channels.values()
    fast_part, clock_u_part = _clock_of(quiet)
    proof = InputProof(
        identity=identity,
        made_on=made_on,
        conditions=f"with nothing played, evenlobe {version()}",
        noise=max(channel.noise_v for channel in channels) / full_v,
        step=max(channel.step_v for channel in channels) / full_v,
        fast_part=fast_part,
        clock_u_part=clock_u_part,
        detector=None,
    )
    if quiet.floor_v is not None:
        floor, low = (each / full_v for each in quiet.floor_v)
        proof = replace(proof, floor=floor, floor_low=low)
    if loop is None:
        return proof
    proof = replace(
        proof,
        detector=None
        if loop.detector is None
        else _detector(loop, loop.detector).times(1 / full_v),
        limit=loop.limit_v / full_v,
    )
    if loop.stated_part is not None:
        return _with_generator(proof, loop, loop.stated_part, full_v)
    return _with_loop(proof, loop, output, full_v, meter)


def _clock_of(quiet: QuietCheck) -> tuple[float, float]:
    """Return by what part the sample clock is fast, and its u; noughts where that is not told.

    So it is where less was told than is known of any clock, and where it came out further off than
    any is: then the computer was too busy to see when samples came.
    """
    clock = quiet.clock
    if clock is None or clock.u_part > CLOCK_PART or abs(clock.fast_part) > _FASTEST:
        return 0.0, 0.0
    return clock.fast_part, clock.true_u_part(quiet.system_u_part)


def _with_generator(
    proof: InputProof, loop: LoopFound, stated_part: float, full_v: float
) -> InputProof:
    """Return what is kept with what a signal generator's stated levels told."""
    return replace(
        proof,
        conditions=(
            f"a signal generator's carrier of {loop.hz / 1e3:.4g} kHz up to "
            f"{2.0 * loop.level:.3g} V peak to peak as stated, evenlobe {version()}"
        ),
        full_scale_v=full_v / loop.gain_v,
        full_scale_part=stated_part,
    )


def _with_loop(
    proof: InputProof, loop: LoopFound, output: str, full_v: float, meter: Toleranced | None
) -> InputProof:
    """Return what is kept with what was found by playing."""
    gain = loop.gain_v / full_v
    match = None if loop.linear is None else loop.linear.match
    proof = replace(
        proof,
        conditions=(
            f"tones of {loop.hz / 1e3:.4g} kHz up to {100.0 * loop.level:.3g} % of full scale on "
            f"“{output}”, evenlobe {version()}"
        ),
        output=output,
        level=loop.level,
        gain=gain,
        match=match or 0.0,
    )
    if meter is None:
        return proof
    peak_v = sqrt(2.0) * meter.value
    return replace(proof, full_scale_v=peak_v / (gain * loop.level), full_scale_part=meter.part)


def _detector(loop: LoopFound, law: DetectorLaw) -> DetectorProof:
    """Return what a reading needs of a law, its levels in volts."""
    return DetectorProof(
        proved_hz=loop.hz,
        threshold=law.threshold_v,
        threshold_u=law.threshold_u_v,
        knee=law.knee_v,
        law_u=law.law_u_v,
        corner_hz=law.corner_hz,
        corner_u_hz=law.corner_u_hz,
        out=tuple(law.out_v.tolist()),
        into=tuple(law.in_v.tolist()),
    )


def keep(proof: InputProof) -> Path:
    """Write it where readings by that input look for it; returns where that is.

    Raises
    ------
    LoopFault
        When it cannot be written.
    """
    path = proof_path(proof.identity.device)
    try:
        with folder_for(path), atomic_write(path) as part:
            part.write_text(as_toml(proof), encoding="utf-8")
    except OSError as fault:
        raise LoopFault(f"“{path}” cannot be written: {fault.strerror}; nothing is kept") from None
    return path


def kept_as_played(identity: InputIdentity) -> InputProof | None:
    """Return what a signal told of an input, at any rate, columns and volume, if it is kept.

    To hear the input alone tells less, and does not replace it.
    """
    try:
        kept = read_proof(proof_path(identity.device))
    except SourceError:
        return None
    return kept if kept is not None and (kept.output or kept.detector) else None


def chain_of(quiet: QuietCheck, loop: LoopFound | None, profile: Profile) -> SignalChain | None:
    """Return what a check found of an input's limits, None where too little is known."""
    if quiet.full_scale_v is None or not quiet.is_quiet:
        return None
    channels = quiet.channels.values()
    chain = SignalChain(
        noise_v=tuple(channel.noise_v for channel in channels),
        step_v=tuple(channel.step_v for channel in channels),
        full_scale_v=(loop and loop.limit_v) or quiet.full_scale_v,
        rate_hz=quiet.info.sample_rate_hz,
        envelope=Role.ENVELOPE in quiet.info.roles,
    )
    if loop is None or loop.detector is None:
        return chain
    law = _detector(loop, loop.detector)
    return _behind_detector(chain, law, profile)


def resolution_of(info: SourceInfo, profile: Profile) -> Message | None:
    """Return what an input lets a reading resolve; None of a capture and of the virtual drive."""
    proof = info.proof
    if proof is None:
        return RESOLVES_UNCHECKED if info.live and not info.virtual else None
    if not info.continuous:
        # A scope's range goes with the signal, and what it resolves with that.
        return None
    full_v = info.full_scale_v or 1.0
    columns = sum(role is not Role.INDEX for role in info.roles)
    chain = SignalChain(
        noise_v=(proof.noise * full_v,) * columns,
        step_v=(proof.step * full_v,) * columns,
        full_scale_v=full_v * (proof.limit or 1.0),
        rate_hz=info.sample_rate_hz,
        envelope=Role.ENVELOPE in info.roles,
    )
    if chain.envelope and proof.detector is None:
        return RESOLVES_UNPROVED
    if proof.detector is not None:
        chain = _behind_detector(chain, proof.detector.times(full_v), profile)
    limits = limits_by(chain, profile)
    if not limits:
        return None
    return fill(RESOLVES, f"{2.0 * together_um(limits):.2g}", limits[0].part)


def limits_by(chain: SignalChain, profile: Profile) -> tuple[LimitingPart, ...]:
    """Return the limits of a reading by a class of drive, at its set limit, largest first."""
    return limits_of(chain, profile.scale_um, 60.0 / profile.speed_rpm, profile.set_limit)


def _behind_detector(chain: SignalChain, law: DetectorProof, profile: Profile) -> SignalChain:
    beyond = is_beyond(profile.carrier_hz, law.proved_hz) * KNEE_U * TOP_PART * chain.full_scale_v
    return replace(
        chain,
        law_u_v=hypot(law.law_u, beyond),
        corner_hz=law.corner_hz,
        corner_u_part=law.corner_u_hz / law.corner_hz if law.corner_hz else 0.0,
    )


def prove(
    source: Source, player: Player, profile: Profile, tell: Tell, *, output: str, at_most: float
) -> InputProof:
    """Measure an open source's input by what is played through the probe, and keep what is found.

    Parameters
    ----------
    output : str
        What the player plays on.
    at_most : float
        Highest peak to be played, as a part of the output's full scale.

    Raises
    ------
    LoopFault
        When the input is none that is known again, is not quiet, or gives nothing usable back.
    SourceError
        When the source cannot be read, or nothing can be kept.
    """
    identity = source.identity
    if identity is None:
        raise LoopFault("only sound inputs and scopes are known again: nothing would be kept")
    listen(source, SETTLE_S)
    quiet = quiet_check_of(source.info, listen(source, QUIET_S))
    if not quiet.is_quiet:
        raise LoopFault(NOT_QUIET)
    loop = check_loop(source, player, profile.carrier_hz, tell, at_most=at_most)
    proof = proof_of(identity, quiet, loop, output, date.today().isoformat())
    keep(proof)
    return proof


def recheck(source: Source, player: Player, profile: Profile, tell: Tell) -> str:
    """Look, in ten seconds, whether what is kept of an open input still holds.

    Returns what moved, in words, and empty where all holds. Where something did, nothing is kept
    any more, and counts no more once the source is opened again.

    Raises
    ------
    LoopFault
        When nothing usable came back; what is kept stays.
    SourceError
        When the source cannot be read.
    """
    kept = source.info.proof
    assert kept is not None
    # What a sound server had gathered, and what a coupling does at its beginning.
    listen(source, SETTLE_S)
    loop = check_loop(
        source,
        player,
        profile.carrier_hz,
        tell,
        at_most=kept.level,
        quick=True,
        known_level=kept.level,
    )
    now = proof_of(kept.identity, loop.quiet, loop, kept.output, date.today().isoformat())
    return let_go_where_moved(kept, now)


def recheck_words(proof: InputProof) -> str:
    """Return what is to be done before a recheck plays; nothing where there is none to be had."""
    if not proof.output:
        return ""
    return (
        f"The input was checked on {proof.made_on}. To look, in ten seconds, whether that holds: "
        f"stop the drive's motor and lead the output “{proof.output}” through the probe to the "
        "input; unplug headphones and loudspeakers."
    )


def let_go_where_moved(kept: InputProof, now: InputProof) -> str:
    """Return what is no longer as it was kept, empty where all holds; keep it no more then."""
    moved = what_moved(kept, now)
    if moved:
        proof_path(kept.identity.device).unlink(missing_ok=True)
    return moved


def what_moved(kept: InputProof, now: InputProof) -> str:
    """Return in words what is no longer as it was kept, empty where all holds."""
    before, after = kept.detector, now.detector
    if before is None or after is None:
        moved = "" if before is after else "there was a detector, or is one now"
    else:
        moved = _moved_law(before, after)
    if moved:
        return moved
    if kept.match and abs(now.match - kept.match) > _MATCH_HOLDS:
        return f"minus had {kept.match:.4f} of plus's gain and has {now.match:.4f}"
    if kept.gain and abs(now.gain / kept.gain - 1.0) > _GAIN_HOLDS_PART:
        return (
            f"an output at full scale brought {100.0 * kept.gain:.3g} % of the input's and brings "
            f"{100.0 * now.gain:.3g} %: a mixer's level has moved"
        )
    return ""


def _moved_law(before: DetectorProof, after: DetectorProof) -> str:
    top = before.out[-1]
    corner_u_hz = hypot(before.corner_u_hz, after.corner_u_hz, _HOLDS_PART * before.corner_hz)
    if abs(after.corner_hz - before.corner_hz) > 2.0 * corner_u_hz:
        return f"the low corner was {before.corner_hz:.3g} Hz and is {after.corner_hz:.3g} Hz"
    threshold_u = hypot(before.threshold_u, after.threshold_u, _HOLDS_PART * top / sqrt(3.0))
    if abs(after.threshold - before.threshold) > 2.0 * threshold_u:
        return (
            f"the threshold was {100.0 * before.threshold / top:.2g} % of the highest level and is "
            f"{100.0 * after.threshold / top:.2g} %"
        )
    return ""
