"""Keeps what a check found of a sound input, for every reading that comes by the same one.

One TOML file an input, which a person may read and only a check writes. It holds for the rate, the
columns and the volume that it was made with, and for no other.
"""

from __future__ import annotations

import json
from datetime import date
from itertools import pairwise
from pathlib import Path

from platformdirs import user_data_path

from instruments.checked_toml import CheckedTable, Day, Number, Numbers, TextLine, TomlKind
from instruments.proof import DetectorProof, Identity, InputProof
from instruments.source import SourceUnavailable

_STEM_LENGTH = 60
_LOOK_AGAIN_DAYS = 1
_PART = Number(-10.0, 10.0)
_AMOUNT = Number(0.0, 10.0)
_HERTZ = Number(0.0, 1e6)
_POINTS = Numbers(_AMOUNT, 2, 100)
_KIND = TomlKind("checked input", SourceUnavailable)


def proof_path(device: str) -> Path:
    """Return where the check of an input is kept."""
    plain = "".join(sign if sign.isalnum() else "-" for sign in device)
    stem = "-".join(part for part in plain.split("-") if part)[:_STEM_LENGTH] or "input"
    return user_data_path("evenlobe", appauthor=False) / "inputs" / f"{stem}.toml"


def proof_for(identity: Identity, today: date) -> tuple[InputProof | None, tuple[str, ...]]:
    """Return the check that holds for an input, if there is one, and what the user is to know."""
    path = proof_path(identity.device)
    try:
        proof = read_proof(path)
    except SourceUnavailable as fault:
        return None, (f"{fault}; check the input again with check-source.",)
    if proof is None:
        return None, ()
    made = f"The check of this input, made on {proof.made_on}"
    unlike = proof.identity.unlike(identity)
    if unlike:
        return None, (f"{made}, does not count: {unlike}; check it again with check-source.",)
    days = proof.age_days(today)
    age = "today" if days == 0 else "1 day ago" if days == 1 else f"{days} days ago"
    again = "" if days < _LOOK_AGAIN_DAYS else "; check-source --quick looks whether it still holds"
    return proof, (f"{made} ({age}), is used{again}.",)


def read_proof(path: Path) -> InputProof | None:
    """Return what is kept of an input, None where nothing is.

    Raises
    ------
    SourceUnavailable
        When the file is damaged; the sentence names the key.
    """
    if not path.exists():
        return None
    where = str(path)
    table = CheckedTable(_KIND, where, _KIND.read(path, where))
    identity = Identity(
        device=table.value("device", TextLine()),
        rate_hz=table.value("rate_hz", Number(1.0, 1e7, whole=True)),
        columns=table.value("columns", TextLine()),
        volume=table.value("volume", _AMOUNT),
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
    """Return the file's text."""
    one, law = proof.identity, proof.detector
    lines = [
        "# What “evenlobe check-source” found of this input, in parts of its full scale; delete it",
        "# to have none. It does not count with another rate, other columns or another volume.",
        f"device = {_quoted(one.device)}",
        f"rate_hz = {one.rate_hz}",
        f"columns = {_quoted(one.columns)}",
        f"volume = {_figures(one.volume)}",
        f"made_on = {proof.made_on}",
        f"conditions = {_quoted(proof.conditions)}",
        f"noise = {_figures(proof.noise)}",
        f"step = {_figures(proof.step)}",
        f"fast_part = {_figures(proof.fast_part)}",
        f"clock_u_part = {_figures(proof.clock_u_part)}",
    ]
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
