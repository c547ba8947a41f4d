"""Many cases: drawn one pair of source and fault after the other, and told as a table."""

from __future__ import annotations

import multiprocessing
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice

import numpy as np

from tests.faults import case, scopes, steps
from tests.faults.case import Key, Outcome
from tests.faults.faults import FAULTS
from tests.faults.outside import BENCHES

_CHUNK = 4


def keys(seed: int, cases: int, kind: str | None, fault: str | None) -> list[Key]:
    """Return so many cases: of every source and every fault that can happen to it.

    Scopes, in real time, are among them where `kind` is how theirs begins, as ``scope-A2``.
    """
    pairs = [
        (a_kind, each.name) for a_kind in BENCHES for each in FAULTS.values() if a_kind in each.done
    ]
    pairs += steps.pairs()
    pairs = [
        (a_kind, name) for a_kind, name in pairs if kind in (None, a_kind) and fault in (None, name)
    ]
    if kind is not None and kind.startswith(scopes.KIND):
        drawn = [
            pair for pair in scopes.pairs() if pair[0].startswith(kind) and fault in (None, pair[1])
        ]
        pairs = [drawn[at] for at in np.random.default_rng(seed).permutation(len(drawn))]
    number = 0
    found: list[Key] = []
    while pairs and len(found) < cases:
        found += [Key(*pair, seed, number) for pair in pairs]
        number += 1
    return list(islice(found, cases))


def run_one(key: Key) -> Outcome:
    """Run a case: of a scope in real time, of all else by a clock that nobody waits for."""
    if key.kind == steps.KIND:
        return steps.run(key)
    return (scopes if key.kind.startswith(scopes.KIND) else case).run(key)


def run(keys: Sequence[Key], workers: int) -> Iterator[Outcome]:
    """Run cases, in as many processes."""
    if workers <= 1:
        yield from map(run_one, keys)
        return
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        yield from pool.imap(run_one, keys, _CHUNK)


def table(outcomes: Iterable[Outcome]) -> str:
    """Return a row for each source and fault."""
    rows: dict[tuple[str, str], list[Outcome]] = {}
    for each in outcomes:
        rows.setdefault((each.key.kind, each.key.fault), []).append(each)
    lines = [
        "| source | fault | cases | parked, s | back, s | said most | the job | wrong |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for (kind, fault), of in sorted(rows.items()):
        wrong = sum(bool(each.faults) for each in of)
        parked = _spread([each.parked_s for each in of])
        back = _spread([each.back_s for each in of])
        said = _most(each.said for each in of)
        job = _most(each.job for each in of)
        lines.append(
            f"| {kind} | {fault} | {len(of)} | {parked} | {back} | {said} | {job} | {wrong} |"
        )
    return "\n".join(lines)


def _spread(seconds: Sequence[float | None]) -> str:
    """Return median and greatest, and how many there are where some are not."""
    known = [each for each in seconds if each is not None]
    if not known:
        return "–"
    of = "" if len(known) == len(seconds) else f" ({len(known)})"
    return f"{np.median(known):.2f}, {max(known):.2f}{of}"


def _most(words: Iterable[str]) -> str:
    counted = Counter(each for each in words if each)
    return counted.most_common(1)[0][0][:60] if counted else "–"
