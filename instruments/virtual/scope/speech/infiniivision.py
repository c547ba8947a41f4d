"""Keysight InfiniiVision and, under the maker's older name, the 5000 to 7000 and X series.

Ten fields, the origin in volts; ``:DIGitize`` waits for the sweep. No ``:RSTate?``: whether the
scope runs is bit 3 of the operation status condition register. Codes of a byte are 1 for what is
clipped low, 255 for what is clipped high, and 0 for a time bucket without data.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

import numpy as np

from instruments.virtual.scope.acquisition import SweepState
from instruments.virtual.scope.panel import FrontPanelError
from instruments.virtual.scope.record import SweepRecord, WireTrace
from instruments.virtual.scope.scpi import Answer, ScpiError, short_form
from instruments.virtual.scope.speech.common import attribute, channel_states
from instruments.virtual.scope.speech.ten_field import TenField, whole

_RUNNING, _REMOTE_ENABLED, _ARMED = 8, 16, 32
"""Bits of the operation status condition register."""
_POINTS = (100, 250, 500, 1000)
"""Points that are there on every model; more in decades of 1, 2, 5, and the most there are."""


class InfiniiVision(TenField):
    """Answers with ``(raw − yref)·yinc + yorig``, raw in bytes or words."""

    digits = 8
    maths_words = ("FUNCtion", "FUNCtion1", "MATH", "MATH1")
    external_word, line_word = "EXTernal", "LINE"
    types: ClassVar = {
        "NORMal": "normal",
        "PEAK": "peak",
        "AVERage": "average",
        "HRESolution": "hires",
    }
    defaults: ClassVar[Mapping[str, object]] = {
        "screen_points": 62_500,
        "remote_enabled_bit": False,
        "most_points": 1_000_000,
    }
    left: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "signed": (":WAVeform:UNSigned 0",),
        "words-low-first": (":WAVeform:FORMat WORD;BYTeorder LSBFirst",),
        "ascii": (":WAVeform:FORMat ASCii",),
        "zoom": (":TIMebase:MODE WINDow", ":WAVeform:VIEW WINDow"),
        "roll": (":TIMebase:MODE ROLL",),
        "position": (":TIMebase:POSition 0.3",),
        "reference-left": (":TIMebase:REFerence LEFT",),
        "points": (":WAVeform:POINts:MODE RAW", ":WAVeform:POINts MAXimum"),
        "few-points": (":WAVeform:POINts 100",),
        "offset": (":CHANnel1:OFFSet 2", ":CHANnel2:OFFSet -2"),
        **channel_states(":CHANnel{n}:INVert 1", ":CHANnel{n}:PROBe {x}", ":CHANnel{n}:BWLimit 1"),
        "ac": (":CHANnel1:COUPling AC", ":CHANnel2:COUPling AC"),
        "maths": (":FUNCtion:DISPlay 1",),
        "average": (":ACQuire:TYPE AVERage",),
        "stopped": (":STOP",),
        "armed": (":TRIGger:SWEep NORMal", ":TRIGger:EDGE:SOURce LINE", ":SINGle"),
    }

    def restart(self) -> None:
        """Set the waveform's source, format, view and points."""
        super().restart()
        self._points_mode = "NORMal"
        self._points = 0
        self._low_first = False
        self._unsigned = True
        self._view = "main"

    def show(self, value: float) -> str:
        """Return a number in NR3 form with its sign."""
        return f"{value:+.5E}"

    def next_error(self) -> str:
        """Return the oldest error, its number with a sign."""
        code, text = self.errors.pop()
        return f'{code:+d},"{text}"'

    def commands(self) -> None:
        """Teach the headers."""
        super().commands()
        self.tree.add(":DIGitize", command=self._digitize)
        self.do(":TRIGger:FORCe", self.acquisition.force)
        for name in (":OPERegister:CONDition", ":OPERation:CONDition"):
            self.ask(name, self._condition)
        self.ask(":TER", lambda: f"{self.acquisition.take_fresh():+d}")
        self._timebase()
        # The depth cannot be chosen: it follows from time base, channels and sampling.
        self.ask(":ACQuire:POINts", lambda: f"{self.memory_now:+d}")
        self.numeric(":ACQuire:COMPlete", lambda: 100, lambda _: None, show=lambda _: "+100")
        for head in (":FUNCtion1:", ":FUNCtion:"):
            self.maths(head, "OPERation")
        self._readout()

    def points(self, record: SweepRecord) -> int | None:
        """Return the points of the screen, or of the memory where the scope is stopped."""
        from_memory = self._points_mode != "NORMal" and self.acquisition.stopped
        most = record.points if from_memory else min(self.options["screen_points"], record.points)
        return int(min(self._points or most, most))

    def fields(self, trace: WireTrace) -> tuple[float, ...]:
        """Return the last six fields of the preamble."""
        step, middle = trace.scale.volts_per_code, 128
        if self.format == "WORD":
            step, middle = step / 256, 128 * 256
        middle = middle if self._unsigned else 0
        start_s, increment_s = trace.start_s, trace.increment_s
        if self._view == "zoom":
            width_s = trace.interval_s * trace.points
            start_s, increment_s = start_s + 0.45 * width_s, increment_s / 10
        return (increment_s, start_s, 0, step, trace.scale.centre_v, middle)

    def preamble(self) -> str:
        """Return the ten fields: format, type, points, count and the six."""
        kind = {"BYTE": 0, "WORD": 1, "ASCii": 4}[self.format]
        if self.acquisition.count == 0:
            return f"+{kind},+0,+0,+1" + ",+0.00000E+00,+0.00000E+00,+0" * 2
        trace = self.held_trace()
        xinc, xorig, xref, yinc, yorig, yref = self.fields(trace)
        counts = (kind, int(trace.told_peak), trace.points, 1)
        head = ",".join(f"{value:+d}" for value in counts)
        return (
            f"{head},{self.show(xinc)},{self.show(xorig)},{int(xref):+d},"
            f"{self.show(yinc)},{self.show(yorig)},{int(yref):+d}"
        )

    def data(self, *source: str) -> Answer:
        """Return the waveform."""
        if source:
            raise ScpiError(-108)
        record = self.acquisition.newest()
        try:
            trace = self.trace(record, self.source, self.points(record) if record else None)
        except ScpiError as error:
            self.fail(error.code)
            return self.empty()
        if self.format == "ASCii":
            volts = trace.codes * trace.scale.volts_per_code + trace.scale.centre_v
            return self.block(",".join(map(self.show, volts.tolist())).encode())
        assert record is not None
        key = (self.source, trace.points, self.format, self._low_first, self._unsigned, self._view)
        return self.block(self.cached(record, key, lambda: memoryview(self._raw(trace))))

    def _raw(self, trace: WireTrace) -> bytes:
        codes = trace.codes
        if self._view == "zoom":
            codes = np.repeat(codes[int(codes.size * 0.45) :][: codes.size // 10 + 1], 10)
            codes = codes[: trace.points]
        raw = codes.view(np.uint8)
        if self._unsigned:
            raw = raw ^ np.uint8(0x80)
        if self.format == "BYTE":
            return raw.tobytes()
        return (raw.astype(np.uint16) << 8).astype("<u2" if self._low_first else ">u2").tobytes()

    def _timebase(self) -> None:
        self.numeric(
            ":TIMebase[:MAIN]:SCALe",
            lambda: self.panel.seconds_per_div,
            lambda value: self.panel.set_timebase(value, stepped=False),
        )
        self.numeric(
            ":TIMebase[:MAIN]:RANGe",
            lambda: 10 * self.panel.seconds_per_div,
            lambda value: self.panel.set_timebase(value / 10, stepped=False),
        )
        self.numeric(":TIMebase:POSition", *attribute(lambda: self.panel, "delay_s"))
        self.choose(
            ":TIMebase:REFerence",
            {"CENTer": 0.5, "LEFT": 0.1, "RIGHt": 0.9},
            *attribute(lambda: self.panel, "reference"),
        )
        self.choose(
            ":TIMebase:MODE",
            {"MAIN": "main", "WINDow": "zoom", "XY": "xy", "ROLL": "roll"},
            *attribute(lambda: self.panel, "mode"),
        )

    def _readout(self) -> None:
        modes = {"NORMal": "NORMal", "MAXimum": "MAXimum", "RAW": "RAW"}
        self.choose(":WAVeform:POINts:MODE", modes, *attribute(lambda: self, "_points_mode"))
        self.ask(":WAVeform:POINts", lambda: f"{self.held_trace().points:+d}")
        self.do(":WAVeform:POINts", self._ask_points, 1)
        self.switch(":WAVeform:UNSigned", *attribute(lambda: self, "_unsigned"))
        self.choose(
            ":WAVeform:VIEW",
            {"MAIN": "main", "WINDow": "zoom"},
            lambda: self._view,
            self._set_view,
        )
        self.choose(
            ":WAVeform:BYTeorder",
            {"MSBFirst": False, "LSBFirst": True},
            *attribute(lambda: self, "_low_first"),
        )
        self.ask(":WAVeform:TYPE", lambda: ("NORM", "PEAK")[self.held_trace().told_peak])
        self.ask(":WAVeform:COUNt", lambda: "+1")

    def _set_view(self, view: str) -> None:
        if view == "zoom" and self.panel.mode != "zoom":
            raise ScpiError(-221)
        self._view = view

    def _ask_points(self, text: str) -> None:
        if text.upper() in ("MAX", "MAXIMUM"):
            self._points = 0
            return
        points = whole(text)
        most, screen = int(self.options["most_points"]), int(self.options["screen_points"])
        stepped = 1000 < points < most and str(points).rstrip("0") in ("1", "2", "5")
        if not stepped and points not in (*_POINTS, most, screen):
            raise FrontPanelError
        self._points = points

    def _digitize(self, _numbers: list[int], sources: list[str]) -> None:
        words = {word.upper() for name in self.sources for word in (name, short_form(name))}
        for source in sources:
            if source.upper() not in words:
                raise ScpiError(-224)
        self.acquisition.single()
        self.wait()

    def _condition(self) -> str:
        state = self.state()
        bits = _REMOTE_ENABLED if self.options["remote_enabled_bit"] else 0
        bits |= 0 if state is SweepState.STOPPED else _RUNNING
        bits |= _ARMED if state is SweepState.WAITING else 0
        return f"{bits:+d}"
