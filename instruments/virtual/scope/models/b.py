"""Family B: ``CURVe?``, and the numbers of the preamble one by one.

Headers stand before answers until ``HEADer OFF``.
"""

from __future__ import annotations

from collections.abc import Callable

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
from instruments.virtual.scope.models.common import Interpreter, attribute, word_for
from instruments.virtual.scope.scpi import Answer, ScpiError, flag, number, parse_unit

_CHANNELS = {f"CH{number}": number for number in (1, 2, 3, 4)}
_SOURCES = {**_CHANNELS, "MATH": MATHS}
_TRIGGERS = {**_CHANNELS, "EXT": EXTERNAL, "AUX": EXTERNAL, "LINE": LINE}
_LENGTHS = (1000, 2500, 5000, 10_000, 100_000, 1_000_000, 5_000_000)
_ACQUISITIONS = {
    "SAMple": "normal",
    "PEAKdetect": "peak",
    "AVErage": "average",
    "HIRes": "hires",
}


class B(Interpreter):
    """Answers with ``(raw − YOFF)·YMULT + YZERO``."""

    maker = "TEKTRONIX"
    traits = Traits(divisions=10, memory=10_000)
    lenient = True
    digits = 0

    def restart(self) -> None:
        """Set what is read out, how, and whether headers stand before answers."""
        self.source = 1
        self._first, self._last = 1, self.panel.memory
        self._encoding = "RIBinary"
        self._headers = True
        self._single = False
        self._delayed, self._delay_s = False, 0.0
        self._set_position(50.0)

    def show(self, value: float) -> str:
        """Return a number in NR3 form."""
        return f"{value:.6E}"

    def unit(self, text: str) -> Answer | None:
        """Carry out one unit, with the header before the answer where that is wanted."""
        answer = super().unit(text)
        if answer is None or not self._headers:
            return answer
        header = parse_unit(text).header.upper()
        if header.startswith("*"):
            return answer
        before = f":{header.lstrip(':')} "
        if isinstance(answer, str):
            return before + answer
        return [before.encode() + bytes(answer[0]), *answer[1:]]

    def commands(self) -> None:
        """Teach B's headers."""
        self.switch("HEADer", *attribute(lambda: self, "_headers"))
        self.switch("VERBose", lambda: True, lambda _: None)
        self._running()
        self._horizontal()
        self._vertical()
        self._trigger()
        self._events_commands()
        self._transfer()
        for head in ("WFMOutpre", "WFMPre"):
            self._preamble(head)

    def _running(self) -> None:
        self.choose("ACQuire:MODe", _ACQUISITIONS, *attribute(lambda: self.panel, "acquisition"))
        self.choose(
            "ACQuire:STOPAfter",
            {"RUNSTop": False, "SEQuence": True},
            lambda: self._single,
            self._stop_after,
        )
        self.ask("ACQuire:STATE", lambda: str(int(self._state() is not SweepState.STOPPED)))
        self.do("ACQuire:STATE", self._run, 1)
        self.ask("ACQuire:NUMACq", lambda: str(self.acquisition.count))
        self.ask(
            "BUSY", lambda: str(int(self._state() in (SweepState.WAITING, SweepState.SWEEPING)))
        )

    def _state(self) -> SweepState:
        return self.acquisition.look()

    def _stop_after(self, single: bool) -> None:
        self._single = single

    def _run(self, text: str) -> None:
        word = text.upper()
        if word == "STOP" or (word != "RUN" and not flag(word)):
            self.acquisition.stop()
        elif self._single:
            self.acquisition.single()
        else:
            self.acquisition.run()

    def _horizontal(self) -> None:
        self.numeric(
            "HORizontal[:MAIn]:SCAle",
            lambda: self.panel.seconds_per_div,
            lambda value: self.panel.set_timebase(value),
        )
        for name in ("RECOrdlength", "RESOlution"):
            self.ask(f"HORizontal[:MAIn]:{name}", lambda: str(self.panel.memory))
            self.do(f"HORizontal[:MAIn]:{name}", self._length, 1)
        self.ask(
            "HORizontal[:MAIn]:SAMPLERate",
            lambda: self.show(self.panel.memory / (10 * self.panel.seconds_per_div)),
        )
        self.numeric("HORizontal[:MAIn]:POSition", lambda: self._percent, self._set_position)
        self.switch("HORizontal[:MAIn]:DELay:MODe", lambda: self._delayed, self._delay_mode)
        self.numeric("HORizontal[:MAIn]:DELay:TIMe", lambda: self._delay_s, self._delay)

    def _length(self, text: str) -> None:
        points = int(number(text))
        if points not in _LENGTHS:
            raise FrontPanelError
        self.memory(points)

    def _set_position(self, percent: float) -> None:
        if not 0 <= percent <= 100:
            raise FrontPanelError
        self._percent = percent
        self._place()

    def _delay_mode(self, delayed: bool) -> None:
        self._delayed = delayed
        self._place()

    def _delay(self, seconds: float) -> None:
        self._delay_s = seconds
        self._place()

    def _place(self) -> None:
        """Without delay the position says where in the record the trigger lies."""
        self.panel.reference = 0.5 if self._delayed else self._percent / 100
        self.panel.delay_s = self._delay_s if self._delayed else 0.0

    def _vertical(self) -> None:
        per = self.channel
        self.switch("SELect:CH#", *attribute(per, "on"))
        self.switch("SELect:MATH#", *attribute(self.maths_channel, "on"))
        self.numeric("CH#:SCAle", lambda n: per(n).volts_per_div, lambda n, v: per(n).set_scale(v))
        self.numeric("CH#:OFFSet", *attribute(per, "offset_v"))
        self.numeric("CH#:POSition", *attribute(per, "position_div"))
        self.choose("CH#:COUPling", {"DC": "dc", "AC": "ac"}, *attribute(per, "coupling"))
        self.numeric(
            "CH#:PRObe:GAIN", lambda n: 1 / per(n).probe, lambda n, v: per(n).set_probe(1 / v)
        )
        self.ask("CH#:PRObe", lambda n: self.show(1 / per(n).probe))
        self.ask("MATH#:DEFine", lambda _: '"CH1-CH2"')
        self.do("MATH#:DEFine", self._define, 1)
        self.numeric(
            "MATH#:VERTical:SCAle", lambda _: self.maths_channel().volts_per_div, self.scale_maths
        )
        self.numeric("MATH#:VERTical:POSition", *attribute(self.maths_channel, "position_div"))

    def _define(self, _number: int, text: str) -> None:
        if text.strip("\"'").upper().replace(" ", "") != "CH1-CH2":
            raise ScpiError(-224)

    def _trigger(self) -> None:
        def trigger() -> Trigger:
            return self.panel.trigger

        self.choose("TRIGger:A:TYPe", {"EDGE": 0}, lambda: 0, lambda _: None)
        self.choose("TRIGger:A:EDGE:SOUrce", _TRIGGERS, *attribute(trigger, "source"))
        self.choose(
            "TRIGger:A:EDGE:SLOpe",
            {"RISe": "rise", "FALL": "fall", "EITher": "either"},
            *attribute(trigger, "slope"),
        )
        self.choose(
            "TRIGger:A:MODe", {"AUTO": True, "NORMal": False}, *attribute(trigger, "automatic")
        )
        self.numeric(
            "TRIGger:A:LEVel",
            lambda: trigger().edge.level_v,
            lambda volts: self._level(trigger().source, volts),
        )
        self.numeric(
            "TRIGger:A:LEVel:CH#",
            lambda place: trigger().levels_v.get(place, 0.0),
            lambda place, volts: self._level(place, volts),
        )
        self.ask("TRIGger:STATE", self._trigger_state)
        self.do("TRIGger", lambda word: self.acquisition.force(), 1)

    def _level(self, source: int, volts: float) -> None:
        self.panel.trigger.levels_v[source] = volts

    def _trigger_state(self) -> str:
        automatic = self.panel.trigger.automatic
        return {
            SweepState.STOPPED: "SAVE",
            SweepState.WAITING: "READY",
            SweepState.SWEEPING: "TRIGGER",
            SweepState.RUNNING: "AUTO" if automatic else "READY",
        }[self._state()]

    def _events_commands(self) -> None:
        self.ask("ALLEv", lambda: ",".join(self._pop() for _ in range(max(len(self.errors), 1))))
        self.ask("EVMsg", self._pop)
        self.ask("EVENT", lambda: self._pop().partition(",")[0])
        self.ask("EVQty", lambda: str(len(self.errors)))

    def _pop(self) -> str:
        code, text = self.errors.pop()
        return f'{-code},"{text or "No events to report - queue empty"}"'

    def _transfer(self) -> None:
        self.choose("DATa:SOUrce", _SOURCES, *attribute(lambda: self, "source"))
        encodings = ("RIBinary", "RPBinary", "SRIbinary", "SRPbinary", "ASCIi", "FAStest")
        words = {word: "RIBinary" if word == "FAStest" else word for word in encodings}
        self.choose("DATa:ENCdg", words, *attribute(lambda: self, "_encoding"))
        self.choose("DATa:WIDth", {"1": 1}, lambda: 1, lambda _: None)
        for name, at in (("STARt", "_first"), ("STOP", "_last")):
            self.ask(f"DATa:{name}", lambda at=at: str(getattr(self, at)))
            self.do(f"DATa:{name}", lambda text, at=at: setattr(self, at, int(number(text))), 1)
        self.ask("CURVe", self._curve)

    def _window(self, trace: WireTrace) -> slice:
        first = max(min(self._first, self._last), 1) - 1
        return slice(first, min(max(self._first, self._last), trace.codes.size))

    def _held(self) -> WireTrace:
        return self.trace(self.acquisition.held(), self.source)

    def _curve(self) -> Answer:
        record = self.acquisition.newest()
        trace = self.trace(record, self.source)
        window = self._window(trace)
        if self._encoding == "ASCIi":
            return ",".join(map(str, trace.codes[window].tolist()))
        if record is None:
            raise ScpiError(-230)
        key = (self.source, self._encoding)
        return self.block(self.cached(record, key, lambda: self._bytes(trace))[window])

    def _bytes(self, trace: WireTrace) -> memoryview:
        codes = trace.codes
        if self._encoding in ("RPBinary", "SRPbinary"):
            codes = codes.view(np.uint8) ^ np.uint8(0x80)
        return memoryview(np.ascontiguousarray(codes).tobytes())

    def _preamble(self, head: str) -> None:
        fields: dict[str, Callable[[WireTrace], str]] = {
            "BYT_Nr": lambda _: "1",
            "BIT_Nr": lambda _: "8",
            "ENCdg": lambda _: "ASC" if self._encoding == "ASCIi" else "BIN",
            "BN_Fmt": lambda _: "RP" if "RP" in self._encoding.upper() else "RI",
            "BYT_Or": lambda _: "MSB",
            "WFId": self._name,
            "NR_Pt": lambda trace: str(len(range(*self._window(trace).indices(1 << 40)))),
            "PT_Fmt": lambda trace: "ENV" if trace.peak else "Y",
            "XUNit": lambda _: '"s"',
            "XINcr": lambda trace: self.show(trace.increment_s),
            "XZEro": lambda trace: self.show(trace.start_s),
            "PT_Off": lambda _: "0",
            "YUNit": lambda _: '"V"',
            "YMUlt": lambda trace: self.show(trace.scale.volts_per_code),
            "YOFf": lambda trace: self.show(self._zero_code(trace)),
            "YZEro": lambda trace: self.show(trace.scale.offset_v),
        }
        for name, field in fields.items():
            self.ask(f"{head}:{name}", lambda field=field: field(self._held()))
        self.ask(head, lambda: ";".join(field(self._held()) for field in fields.values()))

    def _zero_code(self, trace: WireTrace) -> float:
        middle = 128 if "RP" in self._encoding.upper() else 0
        return trace.scale.position_div * self.model.codes_per_div + middle

    def _name(self, trace: WireTrace) -> str:
        source = word_for(_SOURCES, self.source)
        kind = "Peak Detect" if trace.peak else "Sample"
        return f'"{source}, {trace.scale.volts_per_div:g} V/div, {trace.codes.size} points, {kind}"'
