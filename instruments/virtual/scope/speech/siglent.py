"""Siglent SDS2000X Plus and HD, SDS5000X to 7000A, SHS handhelds: a binary descriptor as preamble.

Memory is read in pages; the interval between the points that are read stays from one client to
the next, and a page that starts past the end is never answered.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping
from typing import ClassVar

import numpy as np

from instruments.virtual.scope.acquisition import SweepState
from instruments.virtual.scope.panel import MATHS, FrontPanelError, Trigger
from instruments.virtual.scope.record import WireTrace
from instruments.virtual.scope.scpi import Answer, ScpiError, choice, number
from instruments.virtual.scope.speech.common import (
    Interpreter,
    Value,
    attribute,
    channel_states,
    packed,
)
from instruments.virtual.scope.speech.mnemonics import EXTERNALS, points, short_points

_MODES = {"AUTO": "AUTO", "NORMal": "NORMal", "SINGle": "SINGle", "FTRIG": "FTRIG"}
_STEPS_S = tuple(float(f"{digit}e{power}") for power in range(-10, 4) for digit in (1, 2, 5))[1:]
"""Time bases, in the order in which the descriptor numbers them: from 200 ps on."""


class Siglent(Interpreter):
    """Answers with ``code/codes_per_div·vdiv·probe − offset·probe``, the code signed."""

    defaults: ClassVar[Mapping[str, object]] = {
        "page": 5_000_000,
        "fixed_digits": True,
        "halved_length": False,
        "template": "WAVEACE",
    }
    left: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "interval": (":WAVeform:INTerval 4",),
        "window": (":WAVeform:STARt 50", ":WAVeform:POINt 100"),
        "words": (":WAVeform:WIDTh WORD",),
        "zoom": (":TIMebase:WINDow ON",),
        "position": (":TIMebase:DELay 0.3",),
        "reference": (":TIMebase:REFerence:POSition 20",),
        "offset": (":CHANnel1:OFFSet 2", ":CHANnel2:OFFSet -2"),
        **channel_states(
            ":CHANnel{n}:INVert ON", ":CHANnel{n}:PROBe VALue,{x}", ":CHANnel{n}:BWLimit 20M"
        ),
        "ac": (":CHANnel1:COUPling AC", ":CHANnel2:COUPling AC"),
        "roll": (":ACQuire:MODE ROLL",),
        "maths": (":FUNCtion1:DISPlay ON",),
        "average": (":ACQuire:TYPE AVERage,16",),
        "stopped": (":TRIGger:STOP",),
        "armed": (":TRIGger:EDGE:SOURce LINE", ":TRIGger:MODE SINGle"),
    }

    def restart(self) -> None:
        """Set the mode, and what is read out and how."""
        self._mode = "AUTO"
        self.source = 1
        self._start, self._interval, self._count = 0, 1, 0
        self._width = "BYTE"
        self._window = False

    def show(self, value: float) -> str:
        """Return a number in NR3 form."""
        return f"{value:.2E}"

    def commands(self) -> None:
        """Teach the headers."""
        self.digits = 9 if self.options["fixed_digits"] else 0  # type: ignore[misc] - a model's own
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
        self.do(":TRIGger:FORCe", self.acquisition.force)
        self.ask(":TRIGger:STATus", self._status)
        self._types = {"NORMal": "normal", "PEAK": "peak", "AVERage": "average", "ERES": "hires"}
        self.ask(":ACQuire:TYPE", self._type)
        self.tree.add(":ACQuire:TYPE", command=self._set_type)
        self.ask(":ACQuire:NUMAcq", lambda: str(self.acquisition.count))
        self.choose(
            ":ACQuire:MODE",
            {"YT": "main", "XY": "xy", "ROLL": "roll"},
            *attribute(lambda: self.panel, "mode"),
        )

    def _type(self) -> str:
        words = {kind: self.spell(word) for word, kind in self._types.items()}
        kind = self.panel.acquisition
        return words[kind] + (",16" if kind == "average" else "")

    def _set_type(self, _numbers: list[int], given: list[str]) -> None:
        if not given:
            raise ScpiError(-109)
        self.panel.acquisition = self._types[choice(given[0], tuple(self._types))]

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
        self.numeric(
            ":TIMebase:REFerence:POSition",
            lambda: 100 * self.panel.reference,
            self._set_reference,
            show=lambda value: f"{value:.0f}",
        )
        self.switch(":TIMebase:WINDow", *attribute(lambda: self, "_window"), words=("OFF", "ON"))
        self.ask(":ACQuire:MDEPth", lambda: short_points(self.memory_now).replace("K", "k"))
        self.do(":ACQuire:MDEPth", self._set_depth, 1)
        self.ask(":ACQuire:POINts", lambda: self.show(self.memory_now))
        self.ask(":ACQuire:SRATe", lambda: self.show(self.memory_now / self.span_s))

    def _set_reference(self, percent: float) -> None:
        if not 0 <= percent <= 100:
            raise FrontPanelError
        self.panel.reference = percent / 100

    def _set_depth(self, text: str) -> None:
        self.only(running=True)
        self.memory(points(text))

    def _vertical(self) -> None:
        per = self.channel
        head = ":CHANnel#:"
        self.switch(head + "SWITch", *attribute(per, "on"), words=("OFF", "ON"))
        self.switch(head + "VISible", lambda n: per(n).on, lambda n, _: per(n), words=("OFF", "ON"))
        self.switch(head + "INVert", *attribute(per, "inverted"), words=("OFF", "ON"))
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
        self.teach_limit(head + "BWLimit", "FULL", "20M")
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

        sources = self.words_for("C#", EXTERNALS, "LINE")
        self.choose(":TRIGger:TYPE", {"EDGE": 0}, lambda: 0, lambda _: None)
        self.choose(":TRIGger:EDGE:SOURce", sources, *attribute(trigger, "source"))
        self.choose(
            ":TRIGger:EDGE:SLOPe",
            {"RISing": "rise", "FALLing": "fall", "ALTernate": "either"},
            *attribute(trigger, "slope"),
        )
        self.numeric(":TRIGger:EDGE:LEVel", lambda: trigger().edge.level_v, self._level)

    def _level(self, volts: float) -> None:
        self.panel.trigger.levels_v[self.panel.trigger.source] = volts

    def _waveform(self) -> None:
        sources = {f"C{place}": place for place in range(1, self.model.channels + 1)}
        self.choose(":WAVeform:SOURce", sources | {"F1": MATHS}, *attribute(lambda: self, "source"))
        for name, at in (("STARt", "_start"), ("INTerval", "_interval"), ("POINt", "_count")):
            self.ask(f":WAVeform:{name}", lambda at=at: str(getattr(self, at)))
            self.do(f":WAVeform:{name}", lambda text, at=at: self._place(at, text), 1)
        self.choose(
            ":WAVeform:WIDTh", {"BYTE": "BYTE", "WORD": "WORD"}, *attribute(lambda: self, "_width")
        )
        self.ask(":WAVeform:MAXPoint", lambda: self.show(float(self.options["page"])))
        self.ask(":WAVeform:PREamble", lambda: self.block(self._descriptor()))
        self.ask(":WAVeform:DATA", self._data)

    def _place(self, name: str, text: str) -> None:
        value = int(number(text))
        if value < (1 if name == "_interval" else 0):
            raise FrontPanelError
        setattr(self, name, value)

    def _page(self, trace: WireTrace) -> int:
        """Return how many points the page has."""
        there = -(-max(trace.points - self._start, 0) // self._interval)
        return int(min(self._count or there, there, self.options["page"]))

    def _data(self) -> Answer | None:
        try:
            record = self.acquisition.newest()
            trace = self.trace(record, self.source)
        except ScpiError as error:
            self.fail(error.code)
            return self.block(b"")
        count = self._page(trace)
        if count == 0:
            self.fail(-222)
            return None
        codes = trace.part(self._start, count, self._interval)
        words = codes.astype(np.int16) << (16 - self.traits.bits)
        if self._width == "BYTE":
            return self.block(memoryview((words >> 8).astype(np.int8).tobytes()))
        data = words.astype("<i2").tobytes()
        if not self.options["halved_length"]:
            return self.block(data)
        head, _ = self.block(data[: len(data) // 2])
        return [head, data]

    def _descriptor(self) -> bytes:
        trace = self.trace(self.acquisition.held(), self.source)
        scale, count = trace.scale, self._page(trace)
        word = self._width == "WORD"
        fields: dict[int, tuple[str, Value]] = {
            0: ("16s", b"WAVEDESC"),
            16: ("16s", str(self.options["template"]).encode()),
            32: ("h", int(word)),
            34: ("h", 0),
            36: ("i", self.traits.descriptor),
            60: ("i", count * (2 if word else 1)),
            76: ("16s", self.model.product.encode()[:16]),
            116: ("i", trace.points),
            132: ("i", self._start),
            136: ("i", self._interval),
            148: ("i", 1),
            156: ("f", scale.volts_per_div / scale.probe),
            160: ("f", -scale.centre_v / scale.probe),
            164: ("f", self.traits.codes_per_div * (256 if word else 1)),
            172: ("h", self.traits.bits),
            176: ("f", trace.increment_s),
            180: ("d", trace.start_s + trace.interval_s * trace.points / 2),
            324: ("h", bisect_left(_STEPS_S, self.panel.seconds_per_div * (1 - 1e-9))),
            328: ("f", scale.probe),
            344: ("h", max(self.source - 1, 0)),
        }
        return packed(fields, self.traits.descriptor, low_first=True)
