"""Keeps what a check found of an input, for every reading that comes by the same one.

One TOML file an input, a sound card's or a scope's. It holds for the rate, the columns and the
settings that it was made with, and for no other.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

from platformdirs import user_data_path

from instruments.proof import InputIdentity, InputProof
from instruments.proof_text import PROOF_KIND, proof_of_table
from instruments.source import SourceUnavailable

_STEM_LENGTH = 60
_LOOK_AGAIN_DAYS = 1


def proof_path(device: str) -> Path:
    """Return where the check of an input is kept."""
    plain = "".join(sign if sign.isalnum() else "-" for sign in device)
    stem = "-".join(part for part in plain.split("-") if part)[:_STEM_LENGTH] or "input"
    return user_data_path("evenlobe", appauthor=False) / "inputs" / f"{stem}.toml"


def proof_for(identity: InputIdentity, today: date) -> tuple[InputProof | None, tuple[str, ...]]:
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
    looks = proof.output and days >= _LOOK_AGAIN_DAYS
    again = "; check-source --quick looks whether it still holds" if looks else ""
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
    return proof_of_table(PROOF_KIND.read(path, where), where)
