"""Family A1: ten fields, the origin in volts; ``:DIGitize`` waits for the sweep."""

from __future__ import annotations

from typing import ClassVar

from instruments.virtual.scope.acquisition import SweepState
from instruments.virtual.scope.hardware import (
    EXTERNAL,
    LINE,
    MATHS,
    FrontPanelError,
    SweepRecord,
    Traits,
    WireTrace,
)
from instruments.virtual.scope.models.common import attribute
from instruments.virtual.scope.models.ten_field import TenField, whole
from instruments.virtual.scope.scpi import Answer, Buffer, ScpiError

_CHANNELS = {f"CHANnel{number}": number for number in (1, 2, 3, 4)}
_TYPES = ("normal", "peak", "average", "hires")
_SCREEN_POINTS = 1000
_OPERATION_RUNNING = 8
"""Bit of the operation status condition register."""


class A1(TenField):
    """Answers with ``(raw − yref)·yinc + yorig``, raw in bytes or words."""

    maker = "KEYSIGHT TECHNOLOGIES"
    traits = Traits(divisions=10, memory=100_000)
    digits = 8
    sources: ClassVar = {**_CHANNELS, "FUNCtion1": MATHS, "FUNCtion": MATHS, "MATH": MATHS}
    trigger_sources: ClassVar = {**_CHANNELS, "EXTernal": EXTERNAL, "LINE": LINE}
    types: ClassVar = {
        "NORMal": "normal",
        "PEAK": "peak",
        "AVERage": "average",
        "HRESolution": "hires",
    }

    def restart(self) -> None:
        """Set the waveform's source, format and points."""
        super().restart()
        self._mode = "NORMal"
        self._points = _SCREEN_POINTS
        self._low_first = False

    def show(self, value: float) -> str:
        """Return a number in NR3 form with its sign."""
        return f"{value:+.5E}"

    def next_error(self) -> str:
        """Return the oldest error, its number with a sign."""
        code, text = self.errors.pop()
        return f'{code:+d},"{text}"'

    def commands(self) -> None:
        """Teach A1's headers."""
        super().commands()
        self.tree.add(":DIGitize", command=self._digitize)
        self.do(":TRIGger:FORCe", self.acquisition.force)
        self.ask(":RSTate", self._run_state)
        self.ask(":OPERegister:CONDition", self._condition)
        self.ask(":TER", lambda: f"{self.acquisition.take_fresh():+d}")
        self._timebase()
        self.numeric(
            ":ACQuire:POINts[:ANALog]",
            lambda: self.panel.memory,
            self.memory,
            show=lambda value: f"{value:+.0f}",
        )
        self.numeric(":ACQuire:COMPlete", lambda: 100, lambda _: None)
        for head in (":FUNCtion1:", ":FUNCtion:"):
            self.maths(head, "OPERation")
        self._readout()

    def points(self, record: SweepRecord) -> int | None:
        """Return the points asked for, on the screen or in memory."""
        most = _SCREEN_POINTS if self._mode == "NORMal" else record.points
        return min(self._points, most, record.points)

    def fields(self, trace: WireTrace) -> tuple[float, ...]:
        """Return the last six fields of the preamble."""
        step, middle = trace.scale.volts_per_code, 128
        if self.format == "WORD":
            step, middle = step / 256, 128 * 256
        return (trace.increment_s, trace.start_s, 0, step, trace.scale.centre_v, middle)

    def preamble(self) -> str:
        """Return the ten fields: format, type, points, count and the six."""
        trace = self.held_trace()
        xinc, xorig, xref, yinc, yorig, yref = self.fields(trace)
        kind = {"BYTE": 0, "WORD": 1, "ASCii": 4}[self.format]
        counts = (kind, int(trace.peak), trace.codes.size, 1)
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
            if record is None:
                raise ScpiError(-230)
            codes = self.bytes_of(record, self.points(record))
        except ScpiError as error:
            self.fail(error.code)
            return self.empty()
        if self.format == "ASCii":
            trace = self.trace(record, self.source, self.points(record))
            volts = trace.codes * trace.scale.volts_per_code + trace.scale.centre_v
            return self.block(",".join(map(self.show, volts.tolist())).encode())
        return self.block(self._words(codes) if self.format == "WORD" else codes)

    def _words(self, codes: Buffer) -> bytes:
        words = bytearray(2 * len(codes))
        words[1 if self._low_first else 0 :: 2] = codes
        return bytes(words)

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
        self.choose(":TIMebase:MODE", {"MAIN": 0}, lambda: 0, lambda _: None)

    def _readout(self) -> None:
        modes = {"NORMal": "NORMal", "MAXimum": "MAXimum", "RAW": "RAW"}
        self.choose(":WAVeform:POINts:MODE", modes, *attribute(lambda: self, "_mode"))
        self.ask(":WAVeform:POINts", lambda: f"{self.held_trace().codes.size:+d}")
        self.do(":WAVeform:POINts", self._ask_points, 1)
        self.switch(":WAVeform:UNSigned", lambda: True, self._sign)
        self.choose(
            ":WAVeform:BYTeorder",
            {"MSBFirst": False, "LSBFirst": True},
            *attribute(lambda: self, "_low_first"),
        )
        self.ask(":WAVeform:TYPE", lambda: ("NORM", "PEAK")[self.held_trace().peak])
        self.ask(":WAVeform:COUNt", lambda: "+1")

    def _ask_points(self, text: str) -> None:
        points = whole(text)
        if points < 100:
            raise FrontPanelError
        self._points = points // 2 * 2

    def _sign(self, wanted: bool) -> None:
        if not wanted:
            raise ScpiError(-221)

    def _digitize(self, _numbers: list[int], sources: list[str]) -> None:
        for source in sources:
            if source.upper() not in ("CHAN1", "CHAN2", "CHAN3", "CHAN4", "FUNC1", "FUNC"):
                raise ScpiError(-224)
        self.acquisition.single()
        self.wait()

    def _run_state(self) -> str:
        return {SweepState.STOPPED: "STOP", SweepState.RUNNING: "RUN"}.get(self.state(), "SING")

    def _condition(self) -> str:
        return f"{0 if self.state() is SweepState.STOPPED else _OPERATION_RUNNING:+d}"
