"""Rigol DS1000Z, DS2000, MSO5000 and DHO: ten fields, the origin in codes; memory in pages.

Depths hang on the channels in use and can be set only while the scope runs; a memory is read only
when it is stopped, and the window of the last reading stays.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

import numpy as np

from instruments.virtual.scope.acquisition import SweepState
from instruments.virtual.scope.panel import FrontPanelError
from instruments.virtual.scope.record import SweepRecord, WireTrace
from instruments.virtual.scope.scpi import Answer, ScpiError
from instruments.virtual.scope.speech.common import Reply, attribute, channel_states
from instruments.virtual.scope.speech.ten_field import TenField, whole

_SUFFIXES = {"K": 1e3, "M": 1e6}


class Rigol(TenField):
    """Answers with ``(raw − yorig − yref)·yinc``."""

    maths_words = ("MATH", "MATH1")
    external_word, line_word = "EXT", "AC"
    couplings: ClassVar = {"DC": "dc", "AC": "ac", "GND": "gnd"}
    types: ClassVar = {
        "NORMal": "normal",
        "PEAK": "peak",
        "AVERages": "average",
        "HRESolution": "hires",
    }
    limit_words: ClassVar[tuple[str, str]] = ("OFF", "20M")
    offset_sign = -1.0
    defaults: ClassVar[Mapping[str, object]] = {
        "screen_points": 1000,
        "reference": 127,
        "page": 250_000,
        "word_bits": 8,
        "depth_words": "whole",
        "depth_auto": True,
        "depth_while_stopped": False,
        "roll_switch": False,
        "line": "AC",
    }
    left: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "window": (":WAVeform:STARt 100", ":WAVeform:STOP 200"),
        "raw": (":WAVeform:MODE RAW",),
        "word": (":WAVeform:FORMat WORD",),
        "ascii": (":WAVeform:FORMat ASCii",),
        "zoom": (":TIMebase:DELay:ENABle 1",),
        "roll": (":TIMebase:MODE ROLL",),
        "position": (":TIMebase:MAIN:OFFSet 0.3",),
        "offset": (":CHANnel1:OFFSet 2", ":CHANnel2:OFFSet -2"),
        **channel_states(
            ":CHANnel{n}:INVert 1", ":CHANnel{n}:PROBe {x}", ":CHANnel{n}:BWLimit 20M"
        ),
        "ac": (":CHANnel1:COUPling AC", ":CHANnel2:COUPling AC"),
        "maths": (":MATH1:DISPlay 1",),
        "average": (":ACQuire:TYPE AVERages",),
        "stopped": (":STOP",),
        "armed": (":TRIGger:SWEep NORMal", ":TRIGger:EDGE:SOURce AC", ":SINGle"),
    }

    def restart(self) -> None:
        """Set the waveform's source, format, mode and page."""
        super().restart()
        self._mode = "NORMal"
        self._start, self._stop = 1, int(self.options["screen_points"])
        self._automatic_depth = bool(self.options["depth_auto"])

    def show(self, value: float) -> str:
        """Return a number in lower-case NR3 form."""
        return f"{value:.6e}"

    def execute(self, message: bytes) -> Reply:
        """Carry out a message; without a newline nobody waits for ``*OPC?`` to be answered."""
        reply = super().execute(message)
        if not message.endswith(b"\n") and message.strip().upper().endswith(b"*OPC?"):
            return Reply()
        return reply

    def commands(self) -> None:
        """Teach the headers."""
        self.line_word = str(self.options["line"])
        super().commands()
        self.do(":TFORce", self.acquisition.force)
        self.do(":CLEar", self.acquisition.forget)
        self.ask(":TRIGger:STATus", self._status)
        self.choose(
            ":TRIGger:SWEep",
            {"AUTO": "AUTO", "NORMal": "NORMal", "SINGle": "SINGle"},
            self._sweep_word,
            self._set_sweep,
        )
        self._timebase()
        self.ask(":ACQuire:MDEPth", self._depth)
        self.do(":ACQuire:MDEPth", self._set_depth, 1)
        for head in (":MATH:", ":MATH1:"):
            self.maths(head, "OPERator")
        modes = {"NORMal": "NORMal", "MAXimum": "MAXimum", "RAW": "RAW"}
        self.choose(":WAVeform:MODE", modes, *attribute(lambda: self, "_mode"))
        for name in ("STARt", "STOP"):
            at = f"_{name.lower()}"
            self.ask(f":WAVeform:{name}", lambda at=at: str(getattr(self, at)))
            self.do(f":WAVeform:{name}", lambda text, at=at: self._limit(at, text), 1)
        self.ask(":WAVeform:POINts", lambda: str(self._page_of(self.acquisition.held())[1]))

    def points(self, record: SweepRecord) -> int | None:
        """Return None for the memory, else the screen's points."""
        if self._from_memory():
            return None
        return int(min(self.options["screen_points"], record.points))

    def fields(self, trace: WireTrace) -> tuple[float, ...]:
        """Return the last six fields of the preamble."""
        step, reference = trace.scale.volts_per_code, int(self.options["reference"])
        if self._left_justified():
            step, reference = step / 2 ** (16 - self.traits.bits), 32768
        elif self.traits.bits > 8:
            step *= 2 ** (self.traits.bits - 8)
        start_s, increment_s = trace.start_s, trace.increment_s
        if self._zoomed():
            width_s = trace.interval_s * trace.points
            start_s, increment_s = start_s + 0.45 * width_s, increment_s / 10
        origin = round(-trace.scale.centre_v / step)
        return (increment_s, start_s, 0, step, origin, reference)

    def preamble(self) -> str:
        """Return the ten fields: format, mode, points of the page, count and the six."""
        trace = self.held_trace()
        xinc, xorig, xref, yinc, yorig, yref = self.fields(trace)
        kind = {"BYTE": 0, "WORD": 1, "ASCii": 2}[self.format]
        mode = {"NORMal": 0, "MAXimum": 1, "RAW": 2}[self._mode]
        points = self._page_of(self.acquisition.held())[1]
        return (
            f"{kind},{mode},{points},1,{self.show(xinc)},{self.show(xorig)},{int(xref)},"
            f"{self.show(yinc)},{int(yorig)},{int(yref)}"
        )

    def data(self, *source: str) -> Answer:
        """Return the page of the waveform, empty where there is none."""
        if source:
            raise ScpiError(-108)
        try:
            return self.block(self._page())
        except ScpiError as error:
            self.fail(error.code)
            return self.empty()

    def _page(self) -> bytes:
        if self._mode == "RAW" and not self.acquisition.stopped:
            raise ScpiError(-221)
        record = self.acquisition.newest()
        if record is None:
            raise ScpiError(-230)
        first, count = self._page_of(record)
        trace = self.trace(record, self.source, self.points(record))
        if count * (2 if self.format == "WORD" else 1) > self.options["page"] or count < 1:
            raise ScpiError(-222)
        codes = trace.part(first, count)
        if self._zoomed():
            within = np.arange(first, first + count) // 10
            codes = trace.codes[int(trace.points * 0.45) + within]
        if self.format == "ASCii":
            volts = codes * trace.scale.volts_per_code + trace.scale.centre_v
            return ",".join(map(self.show, volts.tolist())).encode()
        return self._raw(codes.astype(np.int32))

    def _raw(self, codes: np.ndarray[tuple[int], np.dtype[np.int32]]) -> bytes:
        if self._left_justified():
            return ((codes << (16 - self.traits.bits)) + 32768).astype("<u2").tobytes()
        raw = (codes >> (self.traits.bits - 8)) + int(self.options["reference"])
        raw = np.clip(raw, 0, 255)
        return raw.astype("<u2" if self.format == "WORD" else np.uint8).tobytes()

    def _left_justified(self) -> bool:
        return self.format == "WORD" and self.options["word_bits"] == 16

    def _page_of(self, record: SweepRecord | None) -> tuple[int, int]:
        """Return the page's first point, from 0, and its points."""
        if record is None:
            return 0, 0
        points = self.points(record)
        there = record.points if points is None else points
        first = self._start - 1
        return first, max(min(self._stop, there) - first, 0)

    def _from_memory(self) -> bool:
        return self._mode == "RAW" or (self._mode == "MAXimum" and self.acquisition.stopped)

    def _zoomed(self) -> bool:
        return self.panel.mode == "zoom" and not self._from_memory()

    def _limit(self, name: str, text: str) -> None:
        """Set an end of the page; one that the mode does not allow is held at its limit."""
        value = whole(text)
        if value < 1:
            raise FrontPanelError
        record = self.acquisition.held()
        points = None if record is None else self.points(record)
        most = self.memory_now if self._from_memory() else int(self.options["screen_points"])
        most = max(most, record.points if record is not None and points is None else 0)
        setattr(self, name, min(value, most))

    def _depth(self) -> str:
        if self._automatic_depth:
            return "AUTO"
        if self.options["depth_words"] == "whole":
            return str(self.memory_now)
        return f"{self.memory_now:.3E}".replace("E+0", "E+")

    def _set_depth(self, text: str) -> None:
        if not self.options["depth_while_stopped"]:
            self.only(running=True)
        word = text.upper()
        if word == "AUTO" and self.options["depth_auto"]:
            self._automatic_depth = True
            self.panel.memory = self.traits.memory
            return
        factor = _SUFFIXES.get(word[-1:], 1.0)
        try:
            points = float(word[:-1] if factor > 1 else word) * factor
        except ValueError:
            raise ScpiError(-224) from None
        self.memory(points)
        self._automatic_depth = False

    def _timebase(self) -> None:
        self.numeric(
            ":TIMebase[:MAIN]:SCALe",
            lambda: self.panel.seconds_per_div,
            lambda value: self.panel.set_timebase(value),
        )
        self.numeric(":TIMebase[:MAIN][:OFFSet]", *attribute(lambda: self.panel, "delay_s"))
        self.choose(
            ":TIMebase:MODE",
            {"MAIN": "main", "XY": "xy", "ROLL": "roll"},
            lambda: "roll" if self.traits.rolls(self.panel) else "main",
            self._set_mode,
        )
        self.switch(
            ":TIMebase:DELay:ENABle",
            lambda: self.panel.mode == "zoom",
            lambda on: self._set_mode("zoom" if on else "main"),
        )
        if self.options["roll_switch"]:
            self.switch(":TIMebase:ROLL", *attribute(lambda: self.panel, "auto_roll"))

    def _set_mode(self, mode: str) -> None:
        self.panel.mode = mode

    def _sweep_word(self) -> str:
        if self.acquisition.awaited:
            return "SINGle"
        return "AUTO" if self.panel.trigger.automatic else "NORMal"

    def _set_sweep(self, word: str) -> None:
        self.panel.trigger.automatic = word == "AUTO"
        if word == "SINGle":
            self.acquisition.single()

    def _status(self) -> str:
        automatic = self.panel.trigger.automatic
        return {
            SweepState.STOPPED: "STOP",
            SweepState.WAITING: "WAIT",
            SweepState.SWEEPING: "RUN",
            SweepState.RUNNING: "AUTO" if automatic else "TD",
        }[self.state()]
