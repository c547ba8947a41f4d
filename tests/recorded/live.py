"""What is made of an open source: measurements, the check of an input, and a session in time.

A session lives by the clock of :mod:`tests.faults.world`, for which nobody waits; the check of an
input plays into the circuits of ``tests/virtualprobe``.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any
from unittest.mock import patch

import numpy as np

from app.analysis.results import Measurand, Side
from app.live import capture_play as play_module
from app.live import session as session_module
from app.live.generator_check import check_by_generator
from app.live.loop_check import LoopFound, check_loop
from app.live.measurement import (
    EnvelopeOptions,
    MeasurementRequest,
    MeasurementRun,
    measure,
    setup_for,
)
from app.live.proving import chain_of, limits_by, proof_of, resolution_of, what_moved
from app.live.session import Session
from app.live.source_check import listen, quiet_check_of
from app.live.view import View
from app.profiles import Profile, load_profile
from app.stream import acquisition as acquisition_module
from app.stream import ring as ring_module
from app.stream.acquisition import Timing
from instruments.address import open_address
from instruments.options import Toleranced
from instruments.proof import InputIdentity
from instruments.source import AddressError, Role, Source, SourceError, SourceRequest, parse_roles
from tests.app.bench import Sweeps
from tests.app.live.test_generator_check import HIGHEST_PP_V, PARTS, Bench
from tests.faults import case
from tests.faults.world import World, injected
from tests.recorded.keeping import Net
from tests.recorded.telling import told
from tests.virtualprobe.card import VirtualCard
from tests.virtualprobe.circuit import Parts

RATE_HZ, CARRIER_HZ = 100_000, 25_000
_STEADY = "clamp_um=0&oval_um=0&backlash_um=0&hand_percent=0&hand_um=0"
SIM = f"sim:rate={RATE_HZ}&carrier_hz={CARRIER_HZ}&{_STEADY}"
CLASS = load_profile("130mm-48tpi")


def profile(**changes: Any) -> Profile:
    """Return a class of drive whose carrier few samples a second are enough for."""
    density = round(CLASS.density_ftprad * CARRIER_HZ / CLASS.carrier_hz, -2)
    return replace(CLASS, density_ftprad=density, **changes)


def _opened(address: str, roles: str = "", *, paced: bool = False) -> Source:
    wanted = parse_roles(roles) if roles else None
    return open_address(address, SourceRequest(roles=wanted, paced=paced))


# -- measurements


def measured(measurand: Measurand) -> list[str]:
    """Tell what is found of a measurand, on tracks and drives of several kinds."""
    lines = []
    for options, roles, track, side in (
        ("", "", None, 0),
        ("&offset_um=-60&snr_db=20", "differential,index", 16, 1),
        ("&speed_rpm=304", "plus,minus", 34, 0),
        ("&seed=3", "", 34, 1),
        ("&seed=4&azimuth_arcmin=20&index_burst_us=300", "", 1, 0),
        ("&amplitude_v=0.00001", "", 1, 0),
        ("", "envelope,index", None, 0),
        ("&full_scale_v=0.1", "", None, 0),
    ):
        source = _opened(f"{SIM}{options}", roles)
        source.open()
        assert source.controls is not None
        if track is not None:
            source.controls.seek(track)
        if measurand is Measurand.OUTPUT:
            source.controls.insert("scratch")
            source.controls.write("2F")
        source.controls.select(side)
        request = MeasurementRequest(measurand, 5, track, side)
        run = MeasurementRun(request, profile(), EnvelopeOptions())
        parts = []
        for _ in range(60):
            if run.ended:
                break
            block = source.read(0.0)
            run.push(replace(block, t0_s=block.first_index / RATE_HZ), source)
            parts.append(run.progress.part)
        lines.append(f"{options} {roles} {track} {side}: {told(parts[:3])} {len(parts)}")
        lines.append(f"  {told(replace(run.progress, origin=None))}")
    return lines


def whole() -> list[str]:
    """Tell the reading of whole captures, and what the analysis is told of each."""
    lines = []
    for options, roles, stated, changes, seconds in (
        ("", "", EnvelopeOptions(), {}, 1.3),
        ("&recording=boundary", "differential,index", EnvelopeOptions(), {}, 1.3),
        ("&recording=alternating", "", EnvelopeOptions(), {"pairs": 6}, 1.3),
        ("", "envelope", EnvelopeOptions(7.0, 0.05, 0.1, 0.2), {}, 1.3),
        ("", "envelope,index", EnvelopeOptions(detector_threshold_v=0.0), {}, 1.3),
        ("", "envelope", EnvelopeOptions(), {"first_lobe_outward": False}, 1.3),
        ("", "plus,minus", EnvelopeOptions(7.0), {}, 1.3),
        (
            "",
            "",
            EnvelopeOptions(),
            {"scale_um": 300.0, "scale_u_um": 1.0, "calibrated": True},
            None,
        ),
    ):
        progress: list[tuple[float, float | None]] = []
        source = _opened(f"{SIM}{options}", roles)
        lines.append(f"{options} {roles} {told(stated)} {told(changes)}")
        try:
            found = measure(
                source,
                profile(**changes),
                stated,
                seconds,
                lambda *at, into=progress: into.append(at),
            )
        except AddressError as refusal:
            lines.append(f"  {refusal}")
            continue
        lines.append(f"  {told(found)}")
        lines.append(f"  {told(setup_for(source.info, profile(**changes), stated))}")
        lines.append(f"  {told(progress[::4])} {resolution_of(source.info, profile(**changes))}")
    return lines


# -- the check of an input

ENVELOPE, PHASES = (Role.ENVELOPE,), (Role.PLUS, Role.MINUS)
_CARD_HZ = 16_000
_IDENTITY = InputIdentity("Bench (hw:1,0)", _CARD_HZ, "envelope", 0.5)


@dataclass(frozen=True)
class Card:
    """A circuit between an output and an input, and how it is checked."""

    parts: Parts
    roles: tuple[Role, ...] = ENVELOPE
    how: dict[str, Any] = field(default_factory=lambda: {"quick": True})
    broken_in: Callable[[np.ndarray], np.ndarray] | None = None


_DETECTOR = Parts(gains=(0.6,), hum=5e-4, offset=0.003)
_STRAIGHT = Parts(kind="none", gains=(0.4, 0.396), outputs_to=((1.0, 0.0), (1.0, 0.0)))
CARDS = {
    "a detector": Card(_DETECTOR),
    "a detector, long": Card(_DETECTOR, how={}),
    "half a wave": Card(replace(_DETECTOR, kind="half", smoothing_hz=900.0)),
    "precise": Card(replace(_DETECTOR, kind="precise", dead_v=0.15)),
    "on its head": Card(replace(_DETECTOR, polarity=-1, input_corner_hz=0.0)),
    "cut": Card(replace(_DETECTOR, drive_v=3.0, limit=0.4), how={}),
    "not so loud": Card(_DETECTOR, how={"quick": True, "at_most": 0.1}),
    "no detector": Card(_STRAIGHT, PHASES),
    "no detector, long": Card(replace(_STRAIGHT, output_corner_hz=12.0), PHASES, {}),
    "two outputs": Card(
        replace(_STRAIGHT, outputs_to=((1.0, 0.0), (0.0, 1.0)), crosstalk=0.002), PHASES
    ),
    "nothing comes": Card(replace(_DETECTOR, gains=(1e-7,))),
    "faint": Card(replace(_DETECTOR, gains=(2e-3,))),
    "clipped": Card(Parts(kind="precise", dead_v=0.0, gains=(4000.0,), noise=1e-3)),
    "a tone for an envelope": Card(Parts(kind="none", gains=(0.4,))),
    "an envelope for a tone": Card(_DETECTOR, (Role.DIFFERENTIAL,)),
    "another column": Card(
        Parts(gains=(0.0, 0.6), outputs_to=((1.0,), (1.0,))), (Role.ENVELOPE, Role.INDEX)
    ),
    "a signal before": Card(_DETECTOR, broken_in=lambda s: 0.05 * np.sin(2e4 * s)),
    "a signal meanwhile": Card(
        _DETECTOR, broken_in=lambda s: np.where(s > 9.0, 0.1 * np.sin(700.0 * s), 0.0)
    ),
    "what swells": Card(_DETECTOR, broken_in=lambda s: 1e-3 * s),
}


def card(of: Card) -> list[str]:
    """Tell the check of an input by its output, and what is kept of it."""
    lines: list[str] = []
    made = VirtualCard(of.parts, _CARD_HZ, of.roles)
    made.broken_in = of.broken_in
    quiet = quiet_check_of(made.info, listen(made, 2.0))
    lines.append(told(quiet))
    try:
        found = check_loop(made, made, 125e3, lines.append, **of.how)
        lines.append(told(found))
        lines += _kept(found, Toleranced(0.7, 0.01))
    except SourceError as fault:
        lines.append(str(fault))
    lines.append(f"loudest {told(made.loudest)}, silenced {made.silenced}")
    return lines


def _kept(found: LoopFound, meter: Toleranced | None) -> list[str]:
    proof = proof_of(_IDENTITY, found.quiet, found, "Speaker", "2026-03-01", meter)
    lines = [told(proof)]
    chain = chain_of(found.quiet, found, profile())
    lines.append(told(chain))
    lines += [told(each) for each in (() if chain is None else limits_by(chain, profile()))]
    for name, factor in (("noise", 3.0), ("step", 2.0), ("corner", 1.1), ("gain", 0.9)):
        changed = _changed(proof, name, factor)
        lines.append(f"{name} times {factor}: {what_moved(proof, changed)}")
    return lines


def _changed(proof: Any, name: str, factor: float) -> Any:
    """Return a proof of which each number whose name has the word is another."""
    changes = {
        key: value * factor
        for key in type(proof).__dataclass_fields__
        if name in key and isinstance(value := getattr(proof, key), float)
    }
    changed = replace(proof, **changes)
    if changed.detector is None:
        return changed
    inner = {
        key: value * factor
        for key in type(proof.detector).__dataclass_fields__
        if name in key and isinstance(value := getattr(proof.detector, key), float)
    }
    return replace(changed, detector=replace(proof.detector, **inner))


def by_generator() -> list[str]:
    """Tell the check of a detector by a generator that a hand sets."""
    lines = []
    for parts, highest_pp_v in ((PARTS, HIGHEST_PP_V), (replace(PARTS, limit=0.3), 4.0)):
        bench = Bench(parts)
        try:
            found = check_by_generator(bench, 125e3, highest_pp_v, bench, bench.tell)
            lines += [*bench.told, told(bench.levels_pp), told(found), *_kept(found, None)]
        except SourceError as fault:
            lines += [*bench.told, str(fault)]
    return lines


# -- a session in time


def _seen(view: View, now_s: float, begun_s: float) -> str:
    """Tell a view by times that begin with the session, and of what was analysed the newest."""
    times = {"reading_at_s": view.reading_at_s - begun_s if view.reading_at_s else 0.0}
    if view.analysed:
        times["analysed"] = view.analysed[-1][0]
    if view.strip_s is not None:
        times["strip_s"] = view.strip_s - begun_s
    return f"{told(now_s - begun_s)} s: {told(replace(view, **times))}"


def in_time(
    address: str,
    roles: str = "",
    opener: Callable[[str, SourceRequest], Source] = open_address,
    options: EnvelopeOptions | None = None,
) -> list[str]:
    """Tell what is seen of a session: at work, measured, taught, nudged and closed."""
    world, lines = World(), []
    modules = (session_module, play_module, acquisition_module, ring_module)
    acquisition = acquisition_module.Acquisition
    with ExitStack() as stack:
        stack.enter_context(
            patch.object(
                session_module,
                "Acquisition",
                partial(acquisition, timing=Timing(clock=world.monotonic)),
            )
        )
        stack.enter_context(injected(world, modules))

        def opened(address: str, request: SourceRequest) -> Source:
            made = opener(address, request)
            drive: Any = getattr(made, "_source", made)
            drive._clock, drive._sleep = world.monotonic, world.sleep
            return made

        session = Session(profile(), options, opener=opened)
        begun_s = world.now_s

        def tell(seconds: float, times: int = 1) -> None:
            for _ in range(times):
                world.sleep(seconds)
                lines.append(_seen(session.view(), world.now_s, begun_s))

        session.open(address, roles or None)
        tell(0.05)
        tell(0.35, 4)
        session.measure(MeasurementRequest(Measurand.RADIAL, 3))
        tell(0.5)
        lines.append(told(session.progress()))
        tell(0.5)
        progress = session.progress()
        lines.append(told(progress if progress is None else replace(progress, origin=None)))
        lines.append(told(session.origin()))
        lines.append(f"teaching: {session.begin_teaching()}")
        if session.controls is not None:
            session.controls.nudge(30.0)
        tell(0.8)
        lines.append(f"taught: {session.teach(Side.OUTWARD)}")
        tell(0.6)
        past = session.past
        if past is not None:
            look = past.look(before=3)
            lines.append("nothing kept" if look is None else _kept_turns(look, begun_s))
        session.close()
        tell(0.1)
    return lines


def _kept_turns(look: Any, begun_s: float) -> str:
    turns = ", ".join(f"{each.trace.number}" for each in look.turns)
    frames = sum(len(each.samples_v) for each in look.blocks)
    return f"kept: turns {turns}, {frames} frames, {told(look.back_s)} s back"


SESSIONS = {
    "two phases": partial(in_time, SIM),
    "no index": partial(in_time, f"{SIM}&offset_um=-40", "plus,minus"),
    "an envelope": partial(in_time, SIM, "envelope"),
    "silence": partial(in_time, f"{SIM}&amplitude_v=0.001&snr_db=inf"),
    "records": partial(in_time, SIM, opener=Sweeps),
    "an address that is none": partial(in_time, "sim:offset_um=x"),
    "what does not fit": partial(in_time, SIM, options=EnvelopeOptions(5.0)),
}
FAULTS = (
    *(("pipe", "loss"), ("pipe", "clock"), ("program", "return"), ("program", "swapped")),
    *(("sound", "loss"), ("sound", "untold")),
)


def with_fault(kind: str, fault: str) -> list[str]:
    """Tell what the screen shows while something is done to a source."""
    outcome = case.run(case.Key(kind, fault, 1911, 0))
    assert outcome.faults == []
    return [told(outcome.parked_s), told(outcome.back_s), outcome.said, outcome.job] + [
        f"{told(at_s)} s: {words}" for at_s, words in outcome.shown
    ]


NET = Net(
    "live",
    {
        **{f"{each}": partial(measured, each) for each in Measurand},
        "whole captures": whole,
        **{f"input, {name}": partial(card, of) for name, of in CARDS.items()},
        "by a generator": by_generator,
        **{f"session, {name}": tell for name, tell in SESSIONS.items()},
        **{f"{kind}, {fault}": partial(with_fault, kind, fault) for kind, fault in FAULTS},
    },
)
