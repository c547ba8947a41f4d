"""What a recording says of itself, as one line of text in the file's comment."""

from __future__ import annotations

import math
from dataclasses import dataclass
from urllib.parse import quote, unquote

from instruments.proof import InputProof
from instruments.proof_text import PROOF_KIND, as_toml, proof_of_table
from instruments.source import Role, SourceError, SourceInfo, check_roles, parse_roles

_MARK = "evenlobe"


@dataclass(frozen=True, slots=True)
class Description:
    """What reading a recording back needs beyond its samples.

    Attributes
    ----------
    roles : tuple of Role
        One a column; empty when not told.
    virtual, uncalibrated : bool
        The samples come from the virtual drive; their volts are relative.
    rate_hz, bandwidth_hz, low_corner_hz, low_corner_part, full_scale_v, mixed_hz : float or None
        As in :class:`~instruments.source.SourceInfo`, None when not told.
    proof : InputProof or None
        What a check had found of the input, where one held for it.
    """

    roles: tuple[Role, ...] = ()
    virtual: bool = False
    uncalibrated: bool = False
    rate_hz: float | None = None
    bandwidth_hz: float | None = None
    low_corner_hz: float | None = None
    low_corner_part: float | None = None
    full_scale_v: float | None = None
    mixed_hz: float | None = None
    proof: InputProof | None = None


_FLAGS = ("virtual", "uncalibrated")
_NUMBERS = (
    *("rate_hz", "bandwidth_hz", "low_corner_hz", "low_corner_part", "full_scale_v"),
    "mixed_hz",
)
_PROOF = "proof"
_MAY_BE_ZERO = ("low_corner_hz", "low_corner_part")


def description_of(info: SourceInfo, *, uncalibrated: bool) -> Description:
    """Return what a recording of an open source says of itself."""
    return Description(
        roles=info.roles,
        virtual=info.virtual,
        uncalibrated=uncalibrated,
        rate_hz=info.sample_rate_hz,
        bandwidth_hz=info.bandwidth_hz,
        low_corner_hz=info.low_corner_hz,
        low_corner_part=info.low_corner_part if info.low_corner_hz else None,
        full_scale_v=info.full_scale_v,
        mixed_hz=info.mixed_hz,
        proof=info.proof,
    )


def describe(description: Description) -> str:
    """Return the line of text that :func:`understand` reads."""
    words = [_MARK, "roles=" + ",".join(description.roles)]
    words += [f"{key}=1" for key in _FLAGS if getattr(description, key)]
    for key in _NUMBERS:
        value = getattr(description, key)
        if value is not None:
            words.append(f"{key}={value:.12g}")
    if description.proof is not None:
        # The text of the kept check as one word.
        words.append(f"{_PROOF}={quote(as_toml(description.proof))}")
    return " ".join(words)


def understand(comment: str, channels: int) -> tuple[Description, tuple[str, ...]]:
    """Read a recording's comment.

    Parameters
    ----------
    comment : str
        Any text; one that this program did not write tells nothing.
    channels : int
        Columns that the recording has.

    Returns
    -------
    tuple of (Description, tuple of str)
        What is told, and notes for the user.
    """
    words = comment.split()
    if not words or words[0] != _MARK:
        return Description(), ()
    pairs: dict[str, str] = {}
    for word in words[1:]:
        key, _, pairs[key] = word.partition("=")
    # Keys that are not known are passed over: a later version may say more.
    virtual, uncalibrated = (pairs.get(flag) == "1" for flag in _FLAGS)
    try:
        numbers = {key: _number(key, pairs[key]) for key in _NUMBERS if key in pairs}
        roles = tuple(role for role in parse_roles(pairs.get("roles", "")) if role is not None)
        check_roles(roles, pairs.get("roles", ""))
        if len(roles) > channels:
            raise ValueError("more roles than columns")
        proof = _proof(pairs.get(_PROOF, ""))
    except (ValueError, SourceError):
        note = "The recording's description of itself is damaged; only what is sure is used."
        return Description(virtual=virtual, uncalibrated=uncalibrated), (note,)
    return Description(roles, virtual, uncalibrated, **numbers, proof=proof), ()


def _proof(word: str) -> InputProof | None:
    what = "recording"
    return proof_of_table(PROOF_KIND.parse(unquote(word), what), what) if word else None


def _number(key: str, text: str) -> float:
    value = float(text)
    if not math.isfinite(value) or value < 0 or (value == 0 and key not in _MAY_BE_ZERO):
        raise ValueError(f"{key} is {text}")
    return value
