"""The driver against every model of the virtual scope, however somebody left it.

``python -m tests.instruments.scope.campaign`` opens each model in each of its states over TCP, with
chance delays, then in turn over the other ways, then chance pairs and triples of states. Each case
ends in one of three ways: what was read is right, it was refused in a sentence, or it is wrong.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import itertools
import math
import multiprocessing
import sys
import time
import traceback
import zlib
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from unittest import mock

import numpy as np

from instruments.scope import source as driver
from instruments.scope.links import SocketLink
from instruments.scope.options import read_options
from instruments.scope.source import ScopeSource, open_link
from instruments.scope.visa import socket_place
from instruments.source import SourceError, SourceRequest
from instruments.virtual.drive import VirtualDrive
from instruments.virtual.params import VirtualParams
from instruments.virtual.scope import MODELS, VirtualScope, states_of
from tests.benchmarks.tables import table
from tests.instruments.scope.faultcase import lobes_ratio, next_block, served

OTHER_WAYS = ("vxi11", "hislip", "usb", "serial")
AS_SOLD = ""
"""The state of a scope that nobody touched."""
RECORDS = 3
PATIENCE_S = 60
_DELAYS_S = (0.0, 0.0, 0.001, 0.01)
_BAUD = "38400"
_OFFSETS_UM = (8.0, 35.0)
_TURN_S = 0.2
_MOST_REFUSED = 0.2
_PATIENT = {"_OPEN_S": 120.0, "_LEAVE_S": 30.0, "_RESTORE_S": 30.0, "_END_S": 30.0}
"""How long opening and closing may take: a scope that is computed is slower than one that is
built."""


@dataclass(frozen=True, slots=True)
class Case:
    """One scope as it was left, and the way to it."""

    model: str
    states: tuple[str, ...] = ()
    way: str = "socket"
    seed: int = 1

    def __str__(self) -> str:
        left = f" --left {','.join(self.states)}" if self.states else ""
        return (
            f"python -m tests.instruments.scope.campaign --model {self.model}{left} "
            f"--way {self.way} --seed {self.seed}"
        )


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a case.

    Attributes
    ----------
    refusal : str
        The sentence of a refusal.
    faults : tuple of str
        What is wrong.
    record_s : float
        Seconds that the real scope takes for a record, by the model's facts; 0 where unknown.
    """

    case: Case
    refusal: str = ""
    faults: tuple[str, ...] = ()
    record_s: float = 0.0

    @property
    def kind(self) -> str:
        """Right, refused or wrong."""
        return "wrong" if self.faults else "refused" if self.refusal else "right"


class CountingLink(SocketLink):
    """A socket's link that counts the queries that were sent and the bytes that came."""

    def __init__(self, *args):
        super().__init__(*args)
        self.queries = 0
        self.bytes = 0

    def _write(self, data, deadline):
        self.queries += data.count(b"?")
        super()._write(data, deadline)

    def _fill(self, view, deadline):
        self.bytes += len(view)
        super()._fill(view, deadline)


@dataclass
class Opened:
    """Opens links, and keeps the newest."""

    link: CountingLink | None = field(default=None)

    def __call__(self, options, what, deadline):
        place = socket_place(options.resource)
        if place is None:
            return open_link(options, what, deadline)
        self.link = CountingLink(*place, what, deadline)
        return self.link


def tried(case: Case) -> Outcome:
    """Open a scope, read some records, close it, and judge."""
    rng = np.random.default_rng([case.seed, zlib.crc32(str(case).encode())])
    offset_um = float(rng.choice([-1, 1]) * rng.uniform(*_OFFSETS_UM))
    # A sweep is made of so many samples a cycle: of a slow carrier it takes a quarter of the time.
    # Where a cell is as long as a cycle or shorter it has to be the trade's.
    fast = case.model.startswith(("sds2104x", "shs"))
    params = VirtualParams(
        offset_um=offset_um,
        carrier_hz=125e3 if fast else 30e3,
        clamp_um=0,
        oval_um=0,
        snr_db=math.inf,
        hum_v=0,
        wow_percent=0,
    )
    scope = VirtualScope(
        VirtualDrive(params),
        case.model,
        seed=case.seed,
        left=case.states,
        answer_s=float(rng.choice(_DELAYS_S)) if case.way == "socket" else 0.0,
    )
    try:
        with mock.patch.multiple(driver, **_PATIENT), contextlib.redirect_stderr(io.StringIO()):
            return _read(case, scope)
    except Exception:  # a fault of the program under test is what is looked for
        return Outcome(case, faults=(traceback.format_exc(limit=-2),))
    finally:
        scope.close()


def _read(case: Case, scope: VirtualScope) -> Outcome:
    before = _panel_of(scope)
    opened = Opened()
    with served(scope, case.way) as (address, _):
        serial = {"baud": _BAUD} if case.way == "serial" else {}
        options = read_options(address, address, serial, SourceRequest())
        source = ScopeSource(options, address, opened)
        refusal, faults, record_s = "", [], 0.0
        try:
            source.open()
            until_s = time.monotonic() + PATIENCE_S
            for number in range(RECORDS):
                begun = _counted(opened)
                faults += _judged(next_block(source, until_s), scope)
                if number == 1:
                    record_s = _record_s(scope, *np.subtract(_counted(opened), begun))
        except SourceError as fault:
            refusal = str(fault)
        finally:
            source.close()
    after = _panel_of(scope)
    faults += [
        f"left {name} as {after[name]} and not as {value}"
        for name, value in before.items()
        if not _alike(after[name], value)
    ]
    return Outcome(case, refusal, tuple(dict.fromkeys(faults)), record_s)


def _counted(opened: Opened) -> tuple[int, int]:
    return (opened.link.queries, opened.link.bytes) if opened.link is not None else (0, 0)


def _record_s(scope: VirtualScope, queries: int, size: int) -> float:
    """Return what a record takes: waiting for the index, the sweep, answers, and the transfer."""
    span_s = scope.panel.seconds_per_div * scope.model.traits.divisions
    pauses_s = scope.model.quiet_s * queries
    return float(_TURN_S / 2 + span_s + pauses_s + size * scope.model.byte_s)


def _panel_of(scope: VirtualScope) -> dict[str, object]:
    """Return what a user finds at the front panel."""
    panel = scope.panel
    found: dict[str, object] = {
        "time base": panel.seconds_per_div,
        "delay": panel.delay_s,
        "acquisition": panel.acquisition,
        "mode": panel.mode,
        "memory": scope.model.traits.memory_now(panel),
        "trigger source": panel.trigger.source,
        "trigger slope": panel.trigger.slope,
        "automatic trigger": panel.trigger.automatic,
    }
    for number, channel in panel.channels.items():
        found |= {
            f"channel {number}, {name}": getattr(channel, name)
            for name in ("on", "volts_per_div", "offset_v", "coupling", "probe", "inverted")
        }
    return found


def _alike(one: object, two: object) -> bool:
    if isinstance(one, float) and isinstance(two, float):
        return math.isclose(one, two, rel_tol=2e-3, abs_tol=1e-3)
    return one == two


def _judged(block, scope: VirtualScope) -> list[str]:
    """Return what a block says that is not so."""
    truth = scope.truth()
    channel = scope.panel.channels[1]
    # Of a finer converter too the driver takes eight bits.
    code_v = channel.volts_per_div / scope.model.traits.codes_per_div
    swing_v = _swings(block)
    # Each extreme is rounded by half a code at the most, and two channels have four of them; the
    # rest is what sampling misses of a crest.
    allowed = 4 * code_v / float(swing_v.max()) + 0.006
    found = []
    ratio = lobes_ratio(block)
    if abs(ratio - truth.ratio) > allowed:
        found.append(f"ratio {ratio:.4f} where {truth.ratio:.4f} is true, within {allowed:.4f}")
    height_v = max(truth.first_v, truth.second_v) * channel.probe / 10
    if not math.isclose(swing_v.max() / 2, height_v, rel_tol=allowed + 0.03):
        found.append(f"{swing_v.max() / 2:.4g} V where {height_v:.4g} V are true")
    turn = round(_TURN_S * block.sample_rate_hz / _fold(block))
    if np.corrcoef(swing_v[:-turn], swing_v[turn:])[0, 1] < 0.98:
        found.append("its turns do not repeat: the time axis is wrong")
    if block.at_index:
        halves = swing_v[: turn // 2].max(), swing_v[turn // 2 : turn].max()
        if (halves[0] > halves[1]) != (truth.first_v > truth.second_v):
            found.append("the side is wrong")
    return found


def _fold(block) -> int:
    """Return how many samples make an extreme: plain ones are folded over some cycles."""
    return 2 if block.min_max else 64


def _swings(block):
    fold = _fold(block)
    signal = block.samples_v[: len(block.samples_v) // fold * fold, 0]
    return np.ptp(signal.reshape(-1, fold), axis=1)


def over_tcp(seed: int) -> Iterator[Case]:
    """Yield every model in every state."""
    for model in MODELS:
        for state in (AS_SOLD, *states_of(model)):
            yield Case(model, (state,) if state else (), "socket", seed)


def over_others(seed: int) -> Iterator[Case]:
    """Yield every model over every other way, the states in turn."""
    for place, way in enumerate(OTHER_WAYS):
        for number, model in enumerate(MODELS):
            states = (AS_SOLD, *states_of(model))
            state = states[(number + 4 * place + seed) % len(states)]
            yield Case(model, (state,) if state else (), way, seed)


def by_chance(seed: int, count: int) -> Iterator[Case]:
    """Yield models in two or three states at once."""
    rng = np.random.default_rng(seed)
    for number in range(count):
        model = MODELS[number % len(MODELS)]
        states = rng.permutation(states_of(model))[: rng.integers(2, 4)]
        yield Case(model, tuple(map(str, states)), "socket", seed + number)


def run(cases: Iterable[Case], workers: int, seconds: float) -> Iterator[Outcome]:
    """Yield outcomes until all cases are done or the time is over."""
    until_s = time.monotonic() + seconds
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        for outcome in pool.imap_unordered(tried, cases):
            yield outcome
            if time.monotonic() > until_s:
                return


def rows(outcomes: Sequence[Outcome]) -> list[tuple[str, ...]]:
    """Return a row a model: cases, right, refused, wrong, seconds a record."""
    found = []
    for model in MODELS:
        of_model = [each for each in outcomes if each.case.model == model]
        counts = Counter(each.kind for each in of_model)
        times_s = [each.record_s for each in of_model if each.record_s]
        time_s = f"{np.median(times_s):.2f}" if times_s else ""
        kinds = (str(counts[kind]) for kind in ("right", "refused", "wrong"))
        found.append((model, str(len(of_model)), *kinds, time_s))
    return found


def told(outcomes: Sequence[Outcome]) -> list[str]:
    """Return what is wrong, case by case, and each refusal once with where it came."""
    lines = []
    for each in outcomes:
        lines += [f"{each.case}", *(f"    {fault}" for fault in each.faults)] if each.faults else []
    refusals: dict[str, list[str]] = {}
    for each in outcomes:
        if each.kind == "refused":
            # Without the address, which differs from case to case.
            said = each.refusal.partition("”: ")[2]
            refusals.setdefault(said, []).append(f"{each.case.model} {','.join(each.case.states)}")
    for said, places in sorted(refusals.items()):
        lines += [f"refused in {len(places)} cases: {said}", f"    {'; '.join(places[:12])}"]
    return lines


def main(arguments: list[str]) -> int:
    """Run the campaign; return the exit status: 1 where something is wrong, or much refused."""
    parser = argparse.ArgumentParser(prog="python -m tests.instruments.scope.campaign")
    add = parser.add_argument
    add("--seed", type=int, default=1, help="of offsets, delays and chance (default: 1)")
    add("--minutes", type=float, default=60.0, help="the most it may take (default: 60)")
    add("--workers", type=int, default=2, help="processes (default: 2)")
    add("--chance", type=int, default=0, help="so many chance pairs and triples of states (0)")
    add("--model", action="append", help="this model alone; more with more")
    add("--left", help="this state alone, or several at once with commas between")
    add("--way", default="", help="socket, vxi11, hislip, usb or serial alone")
    options = parser.parse_args(arguments)
    if options.model and (options.left is not None or options.way):
        states = tuple(options.left.split(",")) if options.left else ()
        way = options.way or "socket"
        cases = iter([Case(model, states, way, options.seed) for model in options.model])
    else:
        cases = itertools.chain(
            over_tcp(options.seed),
            over_others(options.seed),
            by_chance(options.seed, options.chance),
        )
        if options.model:
            cases = (case for case in cases if case.model in options.model)
    outcomes = list(run(cases, options.workers, 60 * options.minutes))
    heads = ("model", "cases", "right", "refused", "wrong", "s a record")
    shown = [row for row in rows(outcomes) if row[1] != "0"]
    print(table("Every model, however it was left", heads, shown))
    print(*told(outcomes), sep="\n")
    counts = Counter(each.kind for each in outcomes)
    print(f"\n{len(outcomes)} cases: {counts}")
    return int(counts["wrong"] > 0 or counts["refused"] > _MOST_REFUSED * len(outcomes))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
