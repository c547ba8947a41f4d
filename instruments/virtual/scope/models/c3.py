"""Family C3: the preamble is a binary descriptor; memory is read in pages.

Offsets of the descriptor's fields: 0xA4 and 0x148 as measured, the others from memory.
"""

from __future__ import annotations

import numpy as np

from instruments.virtual.scope.acquisition import SweepState
from instruments.virtual.scope.hardware import (
    EXTERNAL,
    LINE,
    MATHS,
    FrontPanelError,
    Traits,
    Trigger,
    WireTrace,
)
from instruments.virtual.scope.models.c1_c2 import points
from instruments.virtual.scope.models.common import Interpreter, Value, attribute, packed
from instruments.virtual.scope.scpi import Answer, ScpiError, choice, number

_CHANNELS = {f"C{number}": number for number in (1, 2, 3, 4)}
_SOURCES = {**_CHANNELS, "F1": MATHS}
_TRIGGERS = {**_CHANNELS, "EX": EXTERNAL, "LINE": LINE}
_PAGE = 500_000
"""Most points of one read."""
_MODES = {"AUTO": "AUTO", "NORMal": "NORMal", "SINGle": "SINGle", "FTRIG": "FTRIG"}


class C3(Interpreter):
    """Answers with ``code/codes_per_div·vdiv·probe − offset·probe``, the code signed."""

    maker = "Siglent Technologies"
    traits = Traits(divisions=10, codes_per_div=30.0, memory=100_000, descriptor=368)

    def restart(self) -> None:
        """Set the mode, and what is read out and how."""
        self._mode = "AUTO"
        self.source = 1
        self._start, self._interval, self._count = 0, 1, 0
        self._width = "BYTE"

    def show(self, value: float) -> str:
        """Return a number in NR3 form."""
        return f"{value:.2E}" if value == 0 else f"{value:.5E}"

    def commands(self) -> None:
        """Teach C3's headers."""
        self.ask(":SYSTem:ERRor[:NEXT]", self.next_error)
        self._running()
        self._horizontal()
        self._vertical()
        self._trigger()
        self._waveform()

    def _running(self) -> None:
        self.choose(":TRIGger:MODE", _MODES, lambda: self._mode, self._set_mode)
        self.do(":TRIGger:RUN", lambda: self._set_mode(self._mode))
        self.do(":TRIGger:STOP", self.acquisition.stop)
        self.ask(":TRIGger:STATus", self._status)
        types = {"NORMal": "normal", "PEAK": "peak", "AVERage": "average", "ERES": "hires"}
        self.choose(":ACQuire:TYPE", types, *attribute(lambda: self.panel, "acquisition"))
        self.ask(":ACQuire:NUMAcq", lambda: str(self.acquisition.count))

    def _set_mode(self, mode: str) -> None:
        if mode == "FTRIG":
            self.acquisition.force()
            return
        self._mode = mode
        if mode == "SINGle":
            self.panel.trigger.automatic = False
            self.acquisition.single()
        else:
            self.panel.trigger.automatic = mode == "AUTO"
            self.acquisition.run()

    def _status(self) -> str:
        automatic = self.panel.trigger.automatic
        return {
            SweepState.STOPPED: "Stop",
            SweepState.WAITING: "Ready",
            SweepState.SWEEPING: "Trig'd",
            SweepState.RUNNING: "Auto" if automatic else "Trig'd",
        }[self.acquisition.look()]

    def _horizontal(self) -> None:
        self.numeric(
            ":TIMebase:SCALe",
            lambda: self.panel.seconds_per_div,
            lambda value: self.panel.set_timebase(value),
        )
        self.numeric(":TIMebase:DELay", *attribute(lambda: self.panel, "delay_s"))
        self.ask(":ACQuire:MDEPth", self._depth)
        self.do(":ACQuire:MDEPth", lambda text: self.memory(points(text)), 1)
        self.ask(":ACQuire:POINts", lambda: self.show(self.panel.memory))
        self.ask(
            ":ACQuire:SRATe",
            lambda: self.show(self.panel.memory / self.panel.seconds_per_div / 10),
        )

    def _depth(self) -> str:
        memory = self.panel.memory
        for size, mark in ((1_000_000, "M"), (1000, "k")):
            if memory >= size:
                return f"{memory / size:g}{mark}"
        return str(memory)

    def _vertical(self) -> None:
        per = self.channel
        head = ":CHANnel#:"
        self.switch(head + "SWITch", *attribute(per, "on"), words=("OFF", "ON"))
        self.numeric(
            head + "SCALe", lambda n: per(n).volts_per_div, lambda n, v: per(n).set_scale(v)
        )
        self.numeric(
            head + "OFFSet",
            lambda n: 0.0 - per(n).offset_v,
            lambda n, v: setattr(per(n), "offset_v", 0.0 - v),
        )
        self.choose(
            head + "COUPling", {"DC": "dc", "AC": "ac", "GND": "gnd"}, *attribute(per, "coupling")
        )
        self.ask(head + "PROBe", lambda n: self.show(per(n).probe))
        self.tree.add(head + "PROBe", command=self._probe)
        self.switch(
            ":FUNCtion1[:DISPlay]",
            *attribute(self.maths_channel, "on"),
            ("OFF", "ON"),
        )
        self.choose(":FUNCtion1:OPERation", {"SUBTract": 0}, lambda: 0, lambda _: None)
        for name in ("SOURce1", "SOURce2"):
            self.choose(f":FUNCtion1:{name}", {f"C{name[-1]}": 0}, lambda: 0, lambda _: None)
        self.numeric(
            ":FUNCtion1:SCALe", lambda: self.maths_channel().volts_per_div, self.scale_maths
        )

    def _probe(self, numbers: list[int], given: list[str]) -> None:
        if given[:1] and choice(given[0], ("VALue", "DEFault")) == "DEFault":
            self.channel(numbers[0]).set_probe(1.0)
        elif len(given) == 2:
            self.channel(numbers[0]).set_probe(number(given[1]))
        else:
            raise ScpiError(-109)

    def _trigger(self) -> None:
        def trigger() -> Trigger:
            return self.panel.trigger

        self.choose(":TRIGger:TYPE", {"EDGE": 0}, lambda: 0, lambda _: None)
        self.choose(":TRIGger:EDGE:SOURce", _TRIGGERS, *attribute(trigger, "source"))
        self.choose(
            ":TRIGger:EDGE:SLOPe",
            {"RISing": "rise", "FALLing": "fall", "ALTernate": "either"},
            *attribute(trigger, "slope"),
        )
        self.numeric(":TRIGger:EDGE:LEVel", lambda: trigger().edge.level_v, self._level)

    def _level(self, volts: float) -> None:
        self.panel.trigger.levels_v[self.panel.trigger.source] = volts

    def _waveform(self) -> None:
        self.choose(":WAVeform:SOURce", _SOURCES, *attribute(lambda: self, "source"))
        for name, at in (("STARt", "_start"), ("INTerval", "_interval"), ("POINt", "_count")):
            self.ask(f":WAVeform:{name}", lambda at=at: str(getattr(self, at)))
            self.do(f":WAVeform:{name}", lambda text, at=at: self._place(at, text), 1)
        self.choose(
            ":WAVeform:WIDTh", {"BYTE": "BYTE", "WORD": "WORD"}, *attribute(lambda: self, "_width")
        )
        self.ask(":WAVeform:MAXPoint", lambda: self.show(_PAGE))
        self.ask(":WAVeform:PREamble", lambda: self.block(self._descriptor()))
        self.ask(":WAVeform:DATA", self._data)

    def _place(self, name: str, text: str) -> None:
        value = int(number(text))
        if value < (1 if name == "_interval" else 0):
            raise FrontPanelError
        setattr(self, name, value)

    def _page(self, trace: WireTrace) -> slice:
        there = -(-max(trace.codes.size - self._start, 0) // self._interval)
        count = min(self._count or there, there, _PAGE)
        return slice(self._start, self._start + count * self._interval, self._interval)

    def _data(self) -> Answer:
        try:
            record = self.acquisition.newest()
            trace = self.trace(record, self.source)
        except ScpiError as error:
            self.fail(error.code)
            return self.block(b"")
        codes = trace.codes[self._page(trace)]
        if self._width == "BYTE":
            return self.block(memoryview(codes.tobytes()))
        # Some firmware counts the words, not their bytes, in the length of the block.
        words = (codes.astype(np.int16) << 8).astype("<i2").tobytes()
        head, _ = self.block(words[: len(words) // 2])
        return [head, words]

    def _descriptor(self) -> bytes:
        trace = self.trace(self.acquisition.held(), self.source)
        scale, page = trace.scale, self._page(trace)
        word = self._width == "WORD"
        count = len(range(*page.indices(trace.codes.size)))
        fields: dict[int, tuple[str, Value]] = {
            0x00: ("16s", b"WAVEDESC"),
            0x10: ("16s", b"WAVEACE"),
            0x20: ("h", int(word)),
            0x22: ("h", 1),
            0x24: ("i", self.model.descriptor),
            0x3C: ("i", count * (2 if word else 1)),
            0x4C: ("16s", b"VIRTUAL-C3"),
            0x74: ("i", trace.codes.size),
            0x84: ("i", self._start),
            0x88: ("i", self._interval),
            0x94: ("i", 1),
            0x98: ("i", 1),
            0x9C: ("f", scale.volts_per_div / scale.probe),
            0xA0: ("f", -scale.centre_v / scale.probe),
            0xA4: ("f", self.model.codes_per_div * (256 if word else 1)),
            0xAC: ("h", 8),
            0xB0: ("f", trace.increment_s),
            0xB4: ("d", trace.start_s + trace.interval_s * trace.codes.size / 2),
            0x148: ("f", scale.probe),
            0x158: ("h", max(self.source - 1, 0)),
        }
        return packed(fields, self.model.descriptor, low_first=True)
