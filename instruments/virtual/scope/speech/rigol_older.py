"""Rigol DS1000E and DS1000D: no preamble, no ``*OPC?``, the source beside ``:WAVeform:DATA?``.

Codes fall with the voltage and 125 is the middle of the screen. Numbers in exponent form are not
read. Whoever asks for a waveform sooner than a tenth of a second after a setting waits for ever.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import ClassVar

import numpy as np

from instruments.virtual.scope.acquisition import SweepState
from instruments.virtual.scope.panel import EXTERNAL, LINE, Trigger
from instruments.virtual.scope.scpi import Answer, ScpiError, choice, number
from instruments.virtual.scope.speech.common import Interpreter, attribute, channel_states

_MIDDLE = 125
_SCREEN_POINTS = 600
_MEMORIES = ("NORMAL", "LONG")


class RigolOlder(Interpreter):
    """Answers with ``(125 − raw)·vdiv/25 − offset``."""

    digits = 8
    left: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "position": (":TIMebase:OFFSET 0.3",),
        "offset": (":CHANnel1:OFFSet 2", ":CHANnel2:OFFSet -2"),
        **channel_states(
            ":CHANnel{n}:INVert ON", ":CHANnel{n}:PROBe {x}", ":CHANnel{n}:BWLimit ON"
        ),
        "ac": (":CHANnel1:COUPling AC", ":CHANnel2:COUPling AC"),
        "long-memory": (":ACQuire:MEMDepth LONG",),
        "points-raw": (":WAVeform:POINts:MODE RAW",),
        "average": (":ACQuire:TYPE AVERAGE",),
        "stopped": (":STOP",),
        "armed": (":TRIGger:EDGE:SWEep SINGLE", ":TRIGger:EDGE:SOURce ACLine", ":RUN"),
    }

    def restart(self) -> None:
        """Set the sweep and how many points are read."""
        self._sweep = "AUTO"
        self._points_mode = "NORMal"

    def show(self, value: float) -> str:
        """Return a number in lower-case NR3 form of four digits."""
        return f"{value:.3e}"

    def commands(self) -> None:
        """Teach the headers."""
        for name in ("*OPC", "*WAI", "*ESR", "*STB", "*TST", "*OPT"):
            self.tree.remove(name)
        self.do(":RUN", self._run)
        self.do(":STOP", self.acquisition.stop)
        self.do(":FORCetrig", self.acquisition.force)
        for key in ("FORCE", "FORCe"):
            self.do(f":KEY:{key}", lambda: None)
        self._acquire()
        self._timebase()
        self._vertical()
        self._trigger()
        self.choose(
            ":WAVeform:POINts:MODE",
            {"NORMal": "NORMal", "MAXimum": "MAXimum", "RAW": "RAW"},
            *attribute(lambda: self, "_points_mode"),
        )
        self.ask(":WAVeform:DATA", self._data, 1)

    def _acquire(self) -> None:
        words = {"normal": "NORMAL", "peak": "Peak Detect", "average": "AVERAGE"}
        kinds = {"NORMal": "normal", "PEAKDETECT": "peak", "AVERage": "average"}
        self.ask(":ACQuire:TYPE", lambda: words[self.panel.acquisition])
        self.do(
            ":ACQuire:TYPE",
            lambda text: setattr(self.panel, "acquisition", kinds[choice(text, tuple(kinds))]),
            1,
        )
        self.ask(":ACQuire:MEMDepth", self._memory_word)
        self.do(":ACQuire:MEMDepth", self._set_memory, 1)
        self.ask(":ACQuire:SAMPlingrate", lambda *_: self.show(self.memory_now / self.span_s), 1)

    def _memory_word(self) -> str:
        return _MEMORIES[self.memory_now > self.traits.depths_now(self.panel)[0]]

    def _set_memory(self, text: str) -> None:
        words = {"NORMal": 0, "LONG": 1}
        self.memory(self.traits.depths_now(self.panel)[words[choice(text, tuple(words))]])

    def _timebase(self) -> None:
        self.plain(
            ":TIMebase:SCALe",
            lambda: self.panel.seconds_per_div,
            lambda value: self.panel.set_timebase(value),
        )
        self.plain(":TIMebase:OFFSet", *attribute(lambda: self.panel, "delay_s"))
        self.choose(
            ":TIMebase:MODE",
            {"MAIN": "main", "DELayed": "zoom"},
            *attribute(lambda: self.panel, "mode"),
        )
        self.ask(":TIMebase:FORMat", lambda: "Y-T")
        self.do(":TIMebase:FORMat", lambda text: choice(text, ("YT", "XY", "SCANning")), 1)

    def _vertical(self) -> None:
        per, head = self.channel, ":CHANnel#:"
        self.switch(head + "DISPlay", *attribute(per, "on"), ("OFF", "ON"))
        self.switch(head + "INVert", *attribute(per, "inverted"), ("OFF", "ON"))
        self.plain(head + "SCALe", lambda n: per(n).volts_per_div, lambda n, v: per(n).set_scale(v))
        self.plain(
            head + "OFFSet",
            lambda n: 0.0 - per(n).offset_v,
            lambda n, v: setattr(per(n), "offset_v", 0.0 - v),
        )
        self.choose(
            head + "COUPling", {"DC": "dc", "AC": "ac", "GND": "gnd"}, *attribute(per, "coupling")
        )
        self.teach_limit(head + "BWLimit", "OFF", "ON")
        self.plain(head + "PROBe", lambda n: per(n).probe, lambda n, v: per(n).set_probe(v))
        self.ask(head + "MEMoryDepth", lambda _: str(self._points()))

    def _trigger(self) -> None:
        def trigger() -> Trigger:
            return self.panel.trigger

        sources = self.words_for("CHANnel#", {"EXT": EXTERNAL}, "") | {"ACLine": LINE}
        head = ":TRIGger:EDGE:"
        self.choose(":TRIGger:MODE", {"EDGE": 0}, lambda: 0, lambda _: None)
        self.choose(head + "SOURce", sources, *attribute(trigger, "source"))
        self.choose(
            head + "SLOPe",
            {"POSitive": "rise", "NEGative": "fall"},
            *attribute(trigger, "slope"),
        )
        self.plain(
            head + "LEVel",
            lambda: trigger().edge.level_v,
            lambda volts: trigger().levels_v.update({trigger().source: volts}),
        )
        self.ask(head + "SWEep", lambda: self._sweep)
        self.do(head + "SWEep", self._set_sweep, 1)
        self.ask(":TRIGger:STATus", self._status)

    def plain(self, pattern: str, get: Callable[..., float], put: Callable[..., object]) -> None:
        """Teach a setting that is a number, which is not read in exponent form."""

        def written(*at: str) -> None:
            if "E" in at[-1].upper():
                raise ScpiError(-104)
            put(*at[:-1], number(at[-1]))

        self.ask(pattern, lambda *at: self.show(get(*at)))
        self.do(pattern, written, 1)

    def _set_sweep(self, text: str) -> None:
        words = {"AUTO": "AUTO", "NORMal": "NORMAL", "SINGle": "SINGLE"}
        self._sweep = words[choice(text, tuple(words))]
        self.panel.trigger.automatic = self._sweep == "AUTO"

    def _run(self) -> None:
        if self._sweep == "SINGLE":
            self.acquisition.single()
        else:
            self.acquisition.run()

    def _status(self) -> str:
        automatic = self.panel.trigger.automatic
        return {
            SweepState.STOPPED: "STOP",
            SweepState.WAITING: "WAIT",
            SweepState.SWEEPING: "T'D",
            SweepState.RUNNING: "AUTO" if automatic else "T'D",
        }[self.acquisition.look()]

    def _points(self) -> int:
        if self._points_mode == "NORMal" or not self.acquisition.stopped:
            return _SCREEN_POINTS
        return self.memory_now

    def _data(self, source: str = "") -> Answer:
        words = {f"CHANnel{place}": place for place in range(1, self.model.channels + 1)}
        place = words[choice(source, tuple(words))]
        try:
            trace = self.trace(self.acquisition.newest(), place, self._points())
        except ScpiError as error:
            self.fail(error.code)
            return self.block(b"")
        raw = np.clip(_MIDDLE - trace.codes.astype(np.int16), 0, 255).astype(np.uint8)
        return self.block(raw.tobytes())
