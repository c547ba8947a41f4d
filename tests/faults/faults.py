"""The faults: what drivers, cables, programs and systems do to a signal on its way.

Each is a function of the bench that it is done to; it runs on a thread outside the program, and
lets the world's time pass as it needs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.faults.outside import (
    Bench,
    FileBench,
    PipeBench,
    Samples,
    Stretch,
    tape,
    wav_header,
)

Done = Callable[[Bench], None]


@dataclass(frozen=True, slots=True)
class Fault:
    """One kind of fault.

    Attributes
    ----------
    name : str
        In the table.
    done : dict of str to callable
        What happens to each kind of bench that it can happen to.
    takes_away : bool
        While it lasts there is no signal of which a reading could be.
    is_for_good : bool
        The signal does not come back.
    is_there_before : bool
        It is so from the beginning.
    """

    name: str
    done: dict[str, Done]
    takes_away: bool = False
    is_for_good: bool = False
    is_there_before: bool = False


STREAMS = ("pipe", "program", "sound")


def _seconds(bench: Bench, least: float, most: float) -> float:
    return float(bench.rng.uniform(least, most))


def _begins(bench: Bench) -> None:
    bench.cause_s = bench.world.now_s


def _ends(bench: Bench) -> None:
    bench.over_s = bench.world.now_s


def _lost(bench: Bench) -> None:
    """Unplugged, died, closed: for good."""
    _begins(bench)
    bench.unplug()
    bench.truth.append(Stretch(bench.world.now_s, None))


def _returns(bench: Bench) -> None:
    """Gone, and back."""
    _lost(bench)
    bench.world.sleep(_seconds(bench, 0.05, 4.0))
    bench.plug()
    bench.truth.append(Stretch(bench.world.now_s, bench.ratio))
    _ends(bench)


def _stalls(bench: Bench) -> None:
    """Nothing comes for a while; what was held up comes at once, or is lost."""
    _begins(bench)
    bench.drops = bool(bench.rng.random() < 0.5)
    bench.holds = True
    bench.world.sleep(_seconds(bench, 0.6, 4.0))
    bench.holds = bench.drops = False
    _ends(bench)


def _gap(bench: Bench) -> None:
    """Some milliseconds are lost on the way, and the driver tells."""
    _begins(bench)
    bench.skip(_seconds(bench, 0.0005, 0.3))
    bench.tell_overflow()
    _ends(bench)


def _untold(bench: Bench) -> None:
    """The same, and nobody tells: a pipe's writer cannot, and a sound server does not."""
    _begins(bench)
    bench.skip(_seconds(bench, 0.0005, 0.3))
    _ends(bench)


def _gaps(bench: Bench) -> None:
    """The same again and again, as over a bad hub."""
    _begins(bench)
    for _ in range(int(bench.rng.integers(3, 30))):
        bench.skip(_seconds(bench, 0.0005, 0.05))
        bench.tell_overflow()
        bench.world.sleep(_seconds(bench, 0.02, 0.3))
    _ends(bench)


def _overrun(bench: Bench) -> None:
    """The machine is busy elsewhere, and what is outside goes on."""
    seconds = _seconds(bench, 0.3, 9.0)
    bench.world.stand_still(seconds)
    bench.world.sleep(seconds)
    # What is shown meanwhile stands still too: it counts from where somebody is there again.
    _begins(bench)
    _ends(bench)


def _changed(bench: Bench, change: Callable[[Samples], Samples], least: float, most: float) -> None:
    _begins(bench)
    bench.change = change
    bench.world.sleep(_seconds(bench, least, most))
    bench.change = None
    _ends(bench)


def _clipping(bench: Bench) -> Callable[[Samples], Samples]:
    # Below the lower lobe's top too: then both are cut to one height.
    limit = float(bench.rng.uniform(0.3, 0.97)) * float(np.abs(bench.tape).max())
    return lambda samples: np.clip(samples, -limit, limit)


def _clips(bench: Bench) -> None:
    """A stage ahead of the converter limits."""
    _changed(bench, _clipping(bench), 0.1, 3.0)


def _spoiling(bench: Bench) -> Callable[[Samples], Samples]:
    values = np.array([np.nan, np.inf, -np.inf, 3e38], np.float32)
    share = float(bench.rng.choice((1e-4, 1e-2, 1.0)))

    def spoil(samples: Samples) -> Samples:
        spoilt = samples.copy()
        hit = bench.rng.random(samples.shape) < share
        spoilt[hit] = bench.rng.choice(values, int(hit.sum()))
        return spoilt

    return spoil


def _not_numbers(bench: Bench) -> None:
    """A driver's conversion gives what is no number."""
    _changed(bench, _spoiling(bench), 0.02, 2.0)


_OTHER_PARTS = (44_100 / 48_000, 48_000 / 44_100, 2.0, 1.001)
"""What a driver gives for what was asked: the other family of rates, the double, a bad crystal."""


def _other_rate(bench: Bench) -> None:
    """The driver says one rate and gives another, from the beginning."""
    bench.tells_speed = False
    other_hz = round(bench.rate_hz * float(bench.rng.choice(_OTHER_PARTS)))
    bench.tape = tape(bench.ratio, bench.roles, other_hz)
    bench.pace = other_hz / bench.rate_hz


def _clock_jumps(bench: Bench) -> None:
    """The clock leaps, and nothing is lost: samples go on as if nothing had been."""
    bench.world.leap(_seconds(bench, 0.5, 3600.0))
    bench.forget_time()
    _begins(bench)
    _ends(bench)


def _sleeps(bench: Bench) -> None:
    """The machine sleeps and wakes; some clocks count that time and some do not."""
    seconds = _seconds(bench, 2.0, 4 * 3600.0)
    if bench.rng.random() < 0.5:
        bench.world.leap(seconds)
        bench.forget_time()
    bench.skip(seconds)
    if bench.rng.random() < 0.5:
        bench.tell_overflow()
    _begins(bench)
    _ends(bench)


def _swapped(bench: Bench) -> None:
    """Another drive is at the other end, after a moment without any."""
    _begins(bench)
    bench.holds = bench.drops = True
    bench.world.sleep(_seconds(bench, 0.0, 2.0))
    bench.holds = bench.drops = False
    bench.swap()
    _ends(bench)


def _program_swapped(bench: Bench) -> None:
    """The program dies, and what is started again writes of another drive."""
    _begins(bench)
    bench.unplug()
    bench.truth.append(Stretch(bench.world.now_s, None))
    bench.world.sleep(_seconds(bench, 0.0, 2.0))
    bench.swap()
    bench.plug()
    _ends(bench)


def _card_swapped(bench: Bench) -> None:
    """Another card is plugged in where the one was."""
    _begins(bench)
    bench.swap()
    # The card that is read from is gone, whatever the other one gives.
    bench.truth.append(Stretch(bench.world.now_s, None))


def _garbage(bench: Bench) -> None:
    """What comes is no signal at all for a while."""

    def scramble(samples: Samples) -> Samples:
        return bench.rng.uniform(-1.0, 1.0, samples.shape).astype(np.float32)

    bench.truth.append(Stretch(bench.world.now_s, None))
    _changed(bench, scramble, 0.8, 3.0)
    bench.truth.append(Stretch(bench.world.now_s, bench.ratio))


def _garbage_bytes(bench: Bench) -> None:
    """Bytes among those of the samples: another program writes, or a line drops some."""
    assert isinstance(bench, PipeBench)
    if bench.rng.random() < 0.5:
        _garbage(bench)
        return
    _begins(bench)
    bench.truth.append(Stretch(bench.world.now_s, None))
    channels = bench.tape.shape[1]
    if bench.form == "wav" and bench.rng.random() < 0.5:
        data = wav_header(44_100, channels)
    else:
        count = int(bench.rng.integers(1, 5000))
        data = bench.rng.integers(0, 256, count, np.uint8).tobytes()
    bench.insert(data)
    # Behind whole frames all is as it was. Behind whole samples either phase stands in the other's
    # place, a frame apart: their difference has the same lobes. Else nothing is right any more.
    alike = 1 if bench.roles == "plus,minus" else channels
    if len(data) % (alike * bench.sample_bytes) == 0:
        bench.truth.append(Stretch(bench.world.now_s, bench.ratio))
        _ends(bench)


# -- a capture file, which is spoilt ahead of being played

_PLAYED_S = 9.0


def _in_file(spoil: Callable[[FileBench, Samples, int], Samples]) -> Done:
    def done(bench: Bench) -> None:
        assert isinstance(bench, FileBench)
        samples = bench.whole(_PLAYED_S).copy()
        bench.write(spoil(bench, samples, round(_seconds(bench, 2.0, 5.0) * bench.rate_hz)))

    return done


def _file_clipped(bench: FileBench, samples: Samples, at: int) -> Samples:
    samples[at:] = _clipping(bench)(samples[at:])
    return samples


def _file_not_numbers(bench: FileBench, samples: Samples, at: int) -> Samples:
    stop = at + bench.rate_hz
    samples[at:stop] = _spoiling(bench)(samples[at:stop])
    return samples


def _file_garbage(bench: FileBench, samples: Samples, at: int) -> Samples:
    stop = at + bench.rate_hz
    samples[at:stop] = bench.rng.uniform(-1, 1, samples[at:stop].shape)
    return samples


def _file_swapped(bench: FileBench, samples: Samples, at: int) -> Samples:
    bench.swap()
    bench.truth[-1] = Stretch(bench.world.now_s + at / bench.rate_hz, bench.ratio)
    samples[at:] = bench.whole(_PLAYED_S)[at:]
    return samples


def _file_gap(bench: Bench) -> None:
    assert isinstance(bench, FileBench)
    start = round(_seconds(bench, 2.0, 5.0) * bench.rate_hz)
    stop = start + round(_seconds(bench, 0.0005, 0.5) * bench.rate_hz)
    bench.write(bench.whole(_PLAYED_S), (start, stop))


def _file_rate(bench: Bench) -> None:
    assert isinstance(bench, FileBench)
    bench.tells_speed = False
    bench.stated_hz = round(bench.rate_hz * float(bench.rng.choice(_OTHER_PARTS)))
    bench.write(bench.whole(_PLAYED_S))


def _file_cut(bench: Bench) -> None:
    """The file is cut, removed or replaced while it is played."""
    assert isinstance(bench, FileBench)
    bench.write(bench.whole(_PLAYED_S))
    bench.world.sleep(_seconds(bench, 1.0, 4.0))
    _begins(bench)
    what = bench.rng.integers(3)
    if what == 0:
        bench.path.unlink()
    elif what == 1:
        with bench.path.open("r+b") as stream:
            stream.truncate(int(bench.rng.integers(0, bench.path.stat().st_size)))
    else:
        bench.path.write_bytes(bench.rng.integers(0, 256, 5000, np.uint8).tobytes())


def _on(kinds: tuple[str, ...], done: Done) -> dict[str, Done]:
    return dict.fromkeys(kinds, done)


FAULTS: dict[str, Fault] = {
    each.name: each
    for each in (
        Fault("loss", _on(STREAMS, _lost) | {"file": _file_cut}, True, True),
        Fault("return", _on(("program", "sound"), _returns), True),
        Fault("stall", _on(STREAMS, _stalls), True),
        Fault("gap", {"sound": _gap, "file": _file_gap}),
        Fault("gaps", {"sound": _gaps}),
        Fault("untold", _on(STREAMS, _untold)),
        Fault("overrun", _on((*STREAMS, "sim"), _overrun)),
        Fault("clip", _on(STREAMS, _clips) | {"file": _in_file(_file_clipped)}),
        Fault("no-number", _on(STREAMS, _not_numbers) | {"file": _in_file(_file_not_numbers)}),
        Fault("rate", _on(STREAMS, _other_rate) | {"file": _file_rate}, is_there_before=True),
        Fault("clock", _on((*STREAMS, "sim"), _clock_jumps)),
        Fault("sleep", _on((*STREAMS, "sim"), _sleeps)),
        Fault(
            "swapped",
            {
                "pipe": _swapped,
                "program": _program_swapped,
                "sound": _card_swapped,
                "file": _in_file(_file_swapped),
            },
        ),
        Fault(
            "garbage",
            {
                "sound": _garbage,
                "file": _in_file(_file_garbage),
                **_on(("pipe", "program"), _garbage_bytes),
            },
        ),
    )
}
"""All faults by name."""
