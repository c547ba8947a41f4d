"""OWON SDS1104 and its rebrands: a length of four bytes, then JSON or 16-bit numbers.

Settings and answers are words with units (``50ms``, ``100mv``, ``10X``). The record is the screen,
a hundred points a division; its numbers are 410 a division, less the offset in fiftieths of one.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import ClassVar

import numpy as np

from instruments.virtual.scope.acquisition import SweepState
from instruments.virtual.scope.panel import LINE, Trigger
from instruments.virtual.scope.record import WireTrace
from instruments.virtual.scope.scpi import Answer, Buffer, ScpiError, choice, number
from instruments.virtual.scope.speech.common import Interpreter, attribute, channel_states
from instruments.virtual.scope.speech.mnemonics import points, short_points

_POINTS_A_DIV = 100
_COUNTS_A_DIV, _COUNTS_AN_OFFSET = 410, 8.25
_OFFSETS_A_DIV = 50
_MOST_DIV = 5
_PREFIXES = ((1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n"))


class Owon(Interpreter):
    """Answers with ``(raw − 8.25·OFFSET)/410·SCALE·PROBE``."""

    block_ending = b""
    ieee_blocks = False
    left: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "position": (":HORIzontal:OFFset 6",),
        "vertical-position": (":CH1:OFFSet 2", ":CH2:OFFSet -2"),
        **channel_states(":CH{n}:INVErse ON", ":CH{n}:PROBe {x}X"),
        "ac": (":CH1:COUPling AC", ":CH2:COUPling AC"),
        "average": (":ACQUire:MODE AVERage",),
        "deep": (":ACQUire:DEPMem 10M",),
        "stopped": (":STOP",),
        "armed": (":TRIGger:SINGle:EDGe:SOURce ACLine", ":SINGle"),
    }

    def commands(self) -> None:
        """Teach the headers."""
        for name in ("*OPC", "*WAI", "*ESR", "*STB", "*TST", "*OPT"):
            self.tree.remove(name)
        self.do(":RUN", self.acquisition.run)
        self.do(":STOP", self.acquisition.stop)
        self.do(":SINGle", self._single)
        self.do(":RUNning", self._run, 1)
        self.choose(
            ":ACQUire:MODE",
            {"SAMPle": "normal", "PEAK": "peak", "AVERage": "average"},
            *attribute(lambda: self.panel, "acquisition"),
        )
        self.ask(":ACQUire:DEPMem", lambda: short_points(self.memory_now))
        self.do(":ACQUire:DEPMem", lambda text: self.memory(points(text)), 1)
        self._horizontal()
        self._vertical()
        self._trigger()
        self.ask(":DATA:WAVE:SCREen:HEAD", lambda: self._prefixed(self._head()))
        self.ask(":DATA:WAVE:SCREen:CH#", self._data)

    def spell(self, word: str) -> str:
        """Return a word in capitals, in its long form."""
        return word.upper()

    def _single(self) -> None:
        self.panel.trigger.automatic = False
        self.acquisition.single()

    def _run(self, text: str) -> None:
        if choice(text, ("RUN", "STOP")) == "RUN":
            self.acquisition.run()
        else:
            self.acquisition.stop()

    def with_unit(
        self,
        pattern: str,
        unit: str,
        get: Callable[..., float],
        put: Callable[..., object],
    ) -> None:
        """Teach a setting that is a number with its unit."""
        self.ask(pattern, lambda *at: _with_prefix(get(*at), unit))
        self.do(pattern, lambda *at: put(*at[:-1], number(at[-1])), 1)

    def _horizontal(self) -> None:
        self.with_unit(
            ":HORIzontal:SCALe",
            "s",
            lambda: self.panel.seconds_per_div,
            lambda value: self.panel.set_timebase(value),
        )
        # In divisions.
        self.numeric(
            ":HORIzontal:OFFset",
            lambda: self.panel.delay_s / self.panel.seconds_per_div,
            self._set_offset,
        )

    def _set_offset(self, divisions: float) -> None:
        self.panel.delay_s = divisions * self.panel.seconds_per_div

    def _vertical(self) -> None:
        per, head = self.channel, ":CH#:"
        self.switch(head + "DISPlay", *attribute(per, "on"), words=("OFF", "ON"))
        self.switch(head + "INVErse", *attribute(per, "inverted"), words=("OFF", "ON"))
        self.with_unit(
            head + "SCALe", "v", lambda n: per(n).volts_per_div, lambda n, v: per(n).set_scale(v)
        )
        self.numeric(head + "OFFSet", *attribute(per, "position_div"))
        self.choose(
            head + "COUPling", {"DC": "dc", "AC": "ac", "GND": "gnd"}, *attribute(per, "coupling")
        )
        factors = {f"{factor}X": float(factor) for factor in (1, 10, 100, 1000)}
        self.choose(
            head + "PROBe", factors, lambda n: per(n).probe, lambda n, v: per(n).set_probe(v)
        )

    def _trigger(self) -> None:
        def trigger() -> Trigger:
            return self.panel.trigger

        head = ":TRIGger:SINGle:"
        sources = self.words_for("CH#", {}, "") | {"ACLine": LINE}
        self.choose(":TRIGger:TYPE", {"SINGle": 0}, lambda: 0, lambda _: None)
        self.choose(head + "MODE", {"EDGE": 0}, lambda: 0, lambda _: None)
        self.choose(head + "EDGe:SOURce", sources, *attribute(trigger, "source"))
        self.choose(
            head + "EDGe:SLOPe", {"RISE": "rise", "FALL": "fall"}, *attribute(trigger, "slope")
        )
        self.with_unit(
            head + "EDGe:LEVel",
            "v",
            lambda: trigger().edge.level_v,
            lambda volts: trigger().levels_v.update({trigger().source: volts}),
        )
        self.ask(head + "SWEEp", lambda: "AUTO" if trigger().automatic else "NORMAL")
        self.do(head + "SWEEp", self._set_sweep, 1)
        self.ask(":TRIGger:STATus", self._status)

    def _set_sweep(self, text: str) -> None:
        word = choice(text, ("AUTO", "NORMal", "SINGle"))
        self.panel.trigger.automatic = word == "AUTO"
        if word == "SINGle":
            self.acquisition.single()

    def _status(self) -> str:
        automatic = self.panel.trigger.automatic
        return {
            SweepState.STOPPED: "STOP",
            SweepState.WAITING: "READY",
            SweepState.SWEEPING: "TRIG",
            SweepState.RUNNING: "AUTO" if automatic else "TRIG",
        }[self.acquisition.look()]

    @property
    def _screen_points(self) -> int:
        return round(self.traits.divisions * _POINTS_A_DIV)

    def _held(self, place: int) -> WireTrace:
        self.channel(place)
        return self.trace(self.acquisition.newest(), place, self._screen_points)

    def _head(self) -> bytes:
        """Return the settings in JSON; the rate is that of the screen's points, times five."""
        rate_hz = 5 * _POINTS_A_DIV / self.panel.seconds_per_div
        size, mark = next((s, m) for s, m in ((1e9, "G"), (1e6, "M"), (1e3, "K")) if rate_hz >= s)
        numbers = range(1, self.model.channels + 1)
        said = {
            "TIMEBASE": {
                "SCALE": _with_prefix(self.panel.seconds_per_div, "s"),
                "HOFFSET": round(self.panel.delay_s / self.panel.seconds_per_div * _OFFSETS_A_DIV),
            },
            "SAMPLE": {
                "FULLSCREEN": self._screen_points,
                "SLOWMOVE": -1,
                "DATALEN": self._screen_points,
                "SAMPLERATE": f"({rate_hz / size:g}{mark}S/s)",
                "TYPE": "SAMPle" if self.panel.acquisition == "normal" else "PEAK",
                "DEPMEM": short_points(self.memory_now),
            },
            "CHANNEL": [self._channel_said(place) for place in numbers],
        }
        return json.dumps(said).encode()

    def _channel_said(self, place: int) -> dict[str, object]:
        channel = self.channel(place)
        return {
            "NAME": f"CH{place}",
            "DISPLAY": "ON" if channel.on else "OFF",
            "COUPLING": channel.coupling.upper(),
            "PROBE": f"{channel.probe:g}X",
            "SCALE": _with_prefix(channel.volts_per_div / channel.probe, "v"),
            "OFFSET": round(channel.position_div * _OFFSETS_A_DIV),
        }

    def _data(self, place: int) -> Answer:
        try:
            trace = self._held(place)
        except ScpiError as error:
            self.fail(error.code)
            return self._prefixed(b"")
        scale = trace.scale
        divisions = (trace.codes * scale.volts_per_code + scale.centre_v) / scale.volts_per_div
        raw = divisions * _COUNTS_A_DIV + round(scale.position_div * 50) * _COUNTS_AN_OFFSET
        most = _MOST_DIV * _COUNTS_A_DIV
        return self._prefixed(np.rint(raw).clip(-most, most).astype("<i2").tobytes())

    def _prefixed(self, data: bytes) -> list[Buffer]:
        return [len(data).to_bytes(4, "little"), data]


def _with_prefix(value: float, unit: str) -> str:
    """Return a number with a prefix and its unit, as ``50ms``."""
    for size, prefix in _PREFIXES:
        if abs(value) >= size * (1 - 1e-9):
            return f"{value / size:g}{prefix}{unit}"
    return f"0{unit}"
