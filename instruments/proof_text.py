"""A check of an input as text: TOML, which a person may read and only a check writes."""

from __future__ import annotations

import json
from itertools import pairwise
from typing import Any

from instruments.checked_toml import CheckedTable, Day, Number, NumberList, TextLine, TomlKind
from instruments.proof import DetectorProof, InputIdentity, InputProof
from instruments.source import SourceUnavailable

PROOF_KIND = TomlKind("checked input", SourceUnavailable)
_PART = Number(-10.0, 10.0)
_AMOUNT = Number(0.0, 10.0)
_HERTZ = Number(0.0, 1e6)
_LARGE = Number(0.0, 1e6)
_FOUND = (
    "level",
    "gain",
    "match",
    "full_scale_v",
    "full_scale_part",
    "limit",
    "floor",
    "floor_low",
)
"""What is told where it was found."""
_POINTS = NumberList(_AMOUNT, 2, 100)


def proof_of_table(tree: dict[str, Any], where: str) -> InputProof:
    """Return what a text says, as its kind has read it.

    Parameters
    ----------
    where : str
        What the text is of, for messages.

    Raises
    ------
    SourceUnavailable
        When it is damaged; the sentence names the key.
    """
    table = CheckedTable(PROOF_KIND, where, tree)
    identity = InputIdentity(
        device=table.value("device", TextLine()),
        rate_hz=table.value("rate_hz", Number(1.0, 1e7, whole=True)),
        columns=table.value("columns", TextLine()),
        volume=table.value("volume", _AMOUNT),
        settings=table.value("settings", TextLine(), ""),
    )
    proof = InputProof(
        identity=identity,
        made_on=table.value("made_on", Day()),
        conditions=table.value("conditions", TextLine()),
        noise=table.value("noise", _AMOUNT),
        step=table.value("step", _AMOUNT),
        fast_part=table.value("fast_part", _PART),
        clock_u_part=table.value("clock_u_part", _AMOUNT),
        detector=_detector(table) if "detector" in table else None,
        output=table.value("output", TextLine(), ""),
        **{key: table.value(key, _LARGE, 0.0) for key in _FOUND},
    )
    return table.finish(proof)


def _detector(table: CheckedTable) -> DetectorProof:
    told = table.table("detector")
    proof = DetectorProof(
        proved_hz=told.value("proved_hz", _HERTZ),
        threshold=told.value("threshold", _PART),
        threshold_u=told.value("threshold_u", _AMOUNT),
        knee=told.value("knee", _PART),
        law_u=told.value("law_u", _AMOUNT),
        corner_hz=told.value("corner_hz", _HERTZ),
        corner_u_hz=told.value("corner_u_hz", _HERTZ),
        out=told.value("out", _POINTS),
        into=told.value("into", _POINTS),
    )
    for key, points in (("out", proof.out), ("into", proof.into)):
        rises = all(before < after for before, after in pairwise(points))
        if not rises or len(points) != len(proof.out):
            raise told.refusal(key, "rising numbers, as many as “out” has")
    return told.finish(proof)


def as_toml(proof: InputProof) -> str:
    """Return the text."""
    one, law = proof.identity, proof.detector
    lines = [
        "# What “evenlobe check-source” found of this input, in parts of its full scale, of a",
        "# scope in volts; delete it to have none. It does not count with another rate, other",
        "# columns, another volume or other settings.",
        f"device = {_quoted(one.device)}",
        f"rate_hz = {one.rate_hz}",
        f"columns = {_quoted(one.columns)}",
        f"volume = {_figures(one.volume)}",
        *([f"settings = {_quoted(one.settings)}"] if one.settings else []),
        f"made_on = {proof.made_on}",
        f"conditions = {_quoted(proof.conditions)}",
        f"noise = {_figures(proof.noise)}",
        f"step = {_figures(proof.step)}",
        f"fast_part = {_figures(proof.fast_part)}",
        f"clock_u_part = {_figures(proof.clock_u_part)}",
    ]
    if proof.output:
        lines.append(f"output = {_quoted(proof.output)}")
    found = {key: getattr(proof, key) for key in _FOUND}
    lines += [f"{key} = {_figures(value)}" for key, value in found.items() if value]
    if law is not None:
        lines += ["", "[detector]"]
        for key in law.__dataclass_fields__:
            value = getattr(law, key)
            if isinstance(value, tuple):
                rows = "".join(f"  {_figures(each)},\n" for each in value)
                lines.append(f"{key} = [\n{rows}]")
            else:
                lines.append(f"{key} = {_figures(value)}")
    return "\n".join(lines) + "\n"


def _figures(value: float) -> str:
    return f"{value:.9g}" if value != int(value) or abs(value) > 1e9 else f"{value:.1f}"


def _quoted(text: str) -> str:
    # A text of JSON is one of TOML where nothing but the usual escapes occurs.
    return json.dumps("".join(sign for sign in text if sign.isprintable()), ensure_ascii=False)
