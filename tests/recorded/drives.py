"""The virtual drive's samples and its truth, by each of its options and after each of its hands."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from math import isfinite

from instruments.source import AddressError, Role, SourceTimeout
from instruments.virtual.disk import DiskIn
from instruments.virtual.params import OPTIONS, PRACTICES, DriveOption, VirtualParams
from instruments.virtual.sampling import simulate
from instruments.virtual.source import VirtualSource
from tests.recorded.keeping import Net
from tests.recorded.telling import told

PLAIN = VirtualParams(rate=60e3, carrier_hz=12e3, seed=5, pace="fast", third_harmonic=0.02)
_SECONDS = 0.25
_DIFFERENTIAL = (Role.DIFFERENTIAL, Role.INDEX)
_ENVELOPE = (Role.ENVELOPE,)
_RECORDINGS = next(each.choices for each in OPTIONS.values() if each.name == "recording")
_CONCERNING = {
    "track_um": {"recording": "track"},
    "pairs": {"recording": "alternating"},
    "first_lobe": {"recording": "alternating"},
    "windows": {"recording": "windows"},
    "wow_hz": {"wow_percent": 3.0},
    "drift_period_s": {"drift_percent": 9.0},
    "hum_hz": {"hum_v": 0.2},
    "bits": {"full_scale_v": 0.3},
    "drop_out_deg": {"drop_outs": 6},
    "drop_out_depth": {"drop_outs": 6},
    "drop_out_place": {"drop_outs": 6},
    "ageing_um": {"age_months": 20.0},
    "ageing_rpm": {"age_months": 100.0},
    "warm_minutes": {"warm_um": 100.0},
}
"""What else has to be so that an option tells."""


def _values(option: DriveOption) -> tuple[object, ...]:
    """Return some values of an option, and such as are refused."""
    if option.choices:
        return (*option.choices, "other")
    if option.form:
        return (option.default, "20:40:outward,100:60:inward,200:30:outward", "20:40:outward", "")
    low, high, usual = option.low, option.high, option.default
    top = high if isfinite(high) else max(10.0 * low, 100.0)
    usual = usual if isfinite(usual) else low + 0.3 * (top - low)
    between = [usual + part * (end - usual) for part in (0.02, 0.2) for end in (low, top)]
    values = (*between, low, low - 1.0, high + 1.0)
    return tuple(int(each) if option.kind is int and isfinite(each) else each for each in values)


def by_option(name: str) -> list[str]:
    """Tell what an option makes of the drive, at each of some values."""
    option, lines = OPTIONS[name], [told(OPTIONS[name]), OPTIONS[name].allowed]
    for value in _values(option):
        try:
            params = replace(PLAIN, **_CONCERNING.get(name, {}), **{name: value})
        except AddressError as refusal:
            lines.append(str(refusal))
            continue
        if name == "rate" and not 1e3 <= float(str(value)) <= 1e5:
            continue
        lines.append(f"{name} {told(value)}: {'; '.join(_sampled(params))}")
    return lines


def _sampled(params: VirtualParams) -> Iterator[str]:
    for roles in (_DIFFERENTIAL, _ENVELOPE):
        samples_v, truth = simulate(params, roles, seconds=_SECONDS)
        yield from (told(samples_v[:, column]) for column in range(len(roles)))
    yield told(truth)


def by_hands(recording: str) -> list[str]:
    """Tell the blocks that follow each thing that a hand can do."""
    params = replace(
        PLAIN,
        recording=recording,
        creep_scatter_um=1.0,
        slope_um=30.0,
        phase_um=9.0,
        long_seek_um=12.0,
        play_um=7.0,
        warm_um=20.0,
        side_um=15.0,
    )
    source = VirtualSource(params, (Role.PLUS, Role.MINUS, Role.INDEX), clock=lambda: 0.0)
    hands, lines = source.controls, [told(source.info)]
    source.open()

    def tell(what: str) -> None:
        for _ in range(3):
            block = source.read(0.0)
        drive = source.drive
        lines.append(
            f"{what}: {told(block.samples_v)} {block.first_index} {told(block.t0_s)} "
            f"{block.gap_before} {block.clipped}; gauge {told(hands.gauge_um)} "
            f"{hands.write_protected} {hands.at_track_zero} {told(drive.truth(1.0, 0.5))}"
        )

    tell("as it is")
    for name, given in (
        *(("nudge", (30.0,)), ("zero_gauge", ()), ("tighten", ()), ("nudge", (10.0,))),
        *(("loosen", ()), ("nudge", (-55.0,)), ("step", (2,)), ("step", (-2,)), ("step", (-3,))),
        *(("seek", (0,)), ("step", (-2,)), ("seek", (39,)), ("seek", (16,)), ("select", (1,))),
        *(("push", (True,)), ("push", (False,)), ("select", (0,)), ("reseat", ())),
        *(("trim_speed", (2.0,)), ("wait", (0.3,)), ("let_pass", (240.0,))),
        *(("insert", (each.value,)) for each in DiskIn),
        *(("insert", ("scratch",)), ("seek", (5,)), ("write", ("1F",)), ("seek", (34,))),
        *(("write", ("2F",)), ("insert", ("protected",)), ("write", ("1F",))),
        *(("insert", ("alignment",)), ("seek", (34,)), ("seek", (1,)), ("seek", (22,))),
        *(("select", (2,)), ("write", ("3F",)), ("nudge", (float("inf"),))),
    ):
        try:
            getattr(hands, name)(*given)
        except ValueError as refusal:
            lines.append(str(refusal))
            continue
        tell(f"{name} {given}")
    source.close()
    return lines


def at_pace() -> list[str]:
    """Tell the blocks at the pace of real time, by a clock that nobody waits for."""
    now = [100.0]

    def sleep(seconds: float) -> None:
        now[0] += seconds

    source = VirtualSource(PLAIN, paced=True, clock=lambda: now[0], sleep=sleep)
    source.open()
    lines = []
    for late_s in (0.0, 0.0, 0.05, 0.0, 1.2, 0.0, 0.0):
        now[0] += late_s
        try:
            block = source.read(0.006)
            said = f"{block.first_index} {told(block.t0_s)} {block.gap_before} {block.overrun}"
        except SourceTimeout as late:
            said = str(late)
        lines.append(f"after {late_s}: {said} at {told(now[0])}")
    return lines


def in_practice(kind: str) -> list[str]:
    """Tell what is hidden in some drives of a kind, and what they show."""
    lines = []
    for seed in (1, 2, 3):
        params = replace(PLAIN, practice=kind, seed=seed)
        source = VirtualSource(params, clock=lambda: 0.0)
        source.open()
        lines.append(f"{told(source.controls.hidden)} {told(source.read(0.0).samples_v)}")
    return lines


NET = Net(
    "drives",
    {
        **{f"option {name}": partial(by_option, name) for name in OPTIONS},
        **{f"hands, {each}": partial(by_hands, each) for each in _RECORDINGS},
        **{f"practice, {each}": partial(in_practice, each) for each in (*PRACTICES, "drawn")},
        "at pace": at_pace,
    },
)
