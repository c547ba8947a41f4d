"""A black box's streams: what is said of one beside its pairs, and its pairs read again."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, replace
from typing import Any

import numpy as np

from app.analysis.results import Reading
from app.blackbox.file import Stream
from app.blackbox.pairs import Piece
from app.live.measurement import EnvelopeOptions, analyser_for
from app.live.session import OpenedAs
from app.profiles import ProfileError, load_profile
from instruments.file.description import describe, description_of, understand
from instruments.source import Block, Role, SourceError, SourceInfo

PLAYING_FAULTS = (ProfileError, SourceError, ValueError, TypeError, KeyError)


def words_of(fault: Exception) -> str:
    """Return in a sentence why a stream cannot be played."""
    if isinstance(fault, ProfileError | SourceError):
        return str(fault)
    return "what is said of its samples cannot be true"


def facts_of(heard: OpenedAs) -> dict[str, Any]:
    """Return as plain values what the samples of an open source are read by."""
    info, profile = heard.info, heard.profile
    return {
        "source": info.name,
        "roles": [str(role) for role in info.roles],
        "says": describe(description_of(info, uncalibrated=False)),
        "inputs": info.inputs,
        "profile": profile.name,
        "disk": profile.disk,
        "stated": asdict(heard.options),
    }


def played(stream: Stream) -> Iterator[tuple[float, Reading]]:
    """Yield what the analysis says of each piece, and when that began, in seconds since 1970.

    Each is read as a record of its own, with what is known by the index alone: what has led up to
    it before the box began is not in the box.

    Raises
    ------
    ProfileError
        When the class of drive or the disk is not known here.
    SourceError, ValueError, TypeError, KeyError
        When what is said of the samples cannot be true. ``PLAYING_FAULTS`` has all of these, and
        :func:`words_of` a sentence for each.
    """
    facts = stream.facts
    profile = load_profile(str(facts["profile"]), str(facts["disk"]))
    options = _stated(facts["stated"])
    analyser = None
    for piece in stream.pieces:
        block = _block_of(piece, stream.roles)
        if analyser is None:
            info = _info_of(stream, block.sample_rate_hz)
            analyser = analyser_for(info, profile, options, keep_all=False)
        analyser.push(block)
        yield piece.at_s, analyser.reading


def _block_of(piece: Piece, roles: tuple[Role, ...]) -> Block:
    rate_hz, samples_v = 2.0 / piece.bin_s, piece.pairs_v
    is_envelope = Role.ENVELOPE in roles
    if is_envelope:
        # A detector's output is what it is in the middle; a pulse is as high as it is anywhere.
        lowest_v, highest_v = samples_v[::2], samples_v[1::2]
        is_index = np.array([role is Role.INDEX for role in roles])
        samples_v = np.where(is_index, highest_v, 0.5 * lowest_v + 0.5 * highest_v)
        rate_hz = 1.0 / piece.bin_s
    return Block(
        samples_v=np.ascontiguousarray(samples_v, np.float32),
        sample_rate_hz=rate_hz,
        first_index=0,
        t0_s=piece.at_s,
        gap_before=True,
        at_index=piece.at_index,
        min_max=not is_envelope,
    )


def _info_of(stream: Stream, rate_hz: float) -> SourceInfo:
    facts = stream.facts
    said, _ = understand(str(facts["says"]), len(stream.roles))
    inputs = 2 if facts["inputs"] == 2 else 1
    info = SourceInfo(
        name=str(facts["source"]),
        roles=stream.roles,
        roles_from="file",
        sample_rate_hz=rate_hz,
        bandwidth_hz=said.bandwidth_hz or rate_hz / 2.0,
        low_corner_hz=said.low_corner_hz,
        continuous=False,
        virtual=said.virtual,
        mixed_hz=said.mixed_hz,
        full_scale_v=said.full_scale_v,
        proof=said.proof,
        inputs=inputs,
    )
    if said.low_corner_part is not None:
        info = replace(info, low_corner_part=said.low_corner_part)
    return info


def _stated(tree: object) -> EnvelopeOptions:
    if not isinstance(tree, dict):
        raise ValueError("nothing stated")
    return EnvelopeOptions(**{str(key): _number(value) for key, value in tree.items()})


def _number(value: object) -> Any:
    if value is not None and (not isinstance(value, float | int) or not 0.0 <= value < 1e12):
        raise ValueError("stated as no number")
    return None if value is None else float(value)
