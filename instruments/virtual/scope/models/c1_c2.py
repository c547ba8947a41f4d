"""Families C1 and C2, whose settings are short mnemonics with the channel before a colon.

C1 sends a binary descriptor of 346 bytes ahead of the codes, in one block. Offsets of its fields:
156, 160 and 176 as measured, the others from memory. C2 sends signed codes with two newlines after
them; the numbers come from the settings.
"""

from __future__ import annotations

from typing import Any, ClassVar

import numpy as np

from instruments.virtual.scope.acquisition import SweepState
from instruments.virtual.scope.hardware import (
    EXTERNAL,
    LINE,
    MATHS,
    Codes,
    FrontPanelError,
    Traits,
    WireTrace,
)
from instruments.virtual.scope.models.common import (
    LEAST_BYTES,
    Interpreter,
    Value,
    attribute,
    packed,
)
from instruments.virtual.scope.scpi import Answer, Buffer, ScpiError, choice, number, parse_unit

TRIGGERS = {"C1": 1, "C2": 2, "C3": 3, "C4": 4, "EX": EXTERNAL, "EXT": EXTERNAL, "LINE": LINE}
COUPLINGS = {"D1M": "dc", "A1M": "ac", "GND": "gnd"}
SLOPES = {"POS": "rise", "NEG": "fall", "EITHER": "either"}
_HEADERS = {"OFF": "", "SHORT": "short", "LONG": "long"}
_MODES = ("AUTO", "NORM", "SINGLE", "STOP")


class Mnemonics(Interpreter):
    """Common to the families C1 and C2."""

    lenient = True
    units: ClassVar[bool]
    """Whether an answer with a header carries its unit."""
    delay_sign: ClassVar[float]
    """Sign of ``TRDL`` against the time of the screen's middle after the trigger."""

    def restart(self) -> None:
        """Set whether headers stand before answers, the mode and the window of the readout."""
        self._headers = "short"
        self._mode = "AUTO"
        self._sparsing, self._count, self._first = 1, 0, 0

    def show(self, value: float) -> str:
        """Return a number in NR3 form."""
        return f"{value:.4E}"

    def unit(self, text: str) -> Answer | None:
        """Carry out one unit, with the header before the answer where that is wanted."""
        answer = super().unit(text)
        if answer is None or not self._headers:
            return answer
        header = parse_unit(text).header.upper()
        if header.startswith("*"):
            return answer
        if isinstance(answer, str):
            return f"{header} {answer}{self._unit_of(header)}"
        return [f"{header} ".encode() + bytes(answer[0]), *answer[1:]]

    def commands(self) -> None:
        """Teach what both have."""
        for name in ("CHDR", "COMM_HEADER"):
            self.choose(name, _HEADERS, *attribute(lambda: self, "_headers"))
        self._running()
        self._horizontal()
        self._vertical()
        self._trigger()
        for name in ("WFSU", "WAVEFORM_SETUP"):
            self.ask(name, self._window_text)
            self.tree.add(name, command=self._set_window)

    def window(self, codes: Codes) -> Codes:
        """Return the part of a trace that is read out."""
        part = codes[self._first :: self._sparsing]
        return part[: self._count] if self._count else part

    def _unit_of(self, header: str) -> str:
        name = header.rpartition(":")[2].rstrip("?")
        if not self.units:
            return ""
        return {"VDIV": "V", "OFST": "V", "TRLV": "V", "TDIV": "S", "TRDL": "S"}.get(name, "")

    def _running(self) -> None:
        for name in ("TRMD", "TRIG_MODE"):
            self.ask(name, self._mode_now)
            self.do(name, self._set_mode, 1)
        for name in ("ARM", "ARM_ACQUISITION"):
            self.do(name, self._arm)
        self.do("STOP", lambda: self._set_mode("STOP"))
        for name in ("FRTR", "FORCE_TRIGGER"):
            self.do(name, self.acquisition.force)
        self.do("WAIT", self.wait)
        self.ask("INR", lambda: str(int(self.acquisition.take_fresh())))

    def _mode_now(self) -> str:
        return "STOP" if self.acquisition.look() is SweepState.STOPPED else self._mode

    def _set_mode(self, text: str) -> None:
        self._mode = choice(text, _MODES)
        if self._mode == "STOP":
            self.acquisition.stop()
        elif self._mode == "SINGLE":
            self.panel.trigger.automatic = False
            self.acquisition.single()
        else:
            self.panel.trigger.automatic = self._mode == "AUTO"
            self.acquisition.run()

    def _arm(self) -> None:
        self._mode = "SINGLE"
        self.acquisition.single()

    def _horizontal(self) -> None:
        for name in ("TDIV", "TIME_DIV"):
            self.numeric(
                name,
                lambda: self.panel.seconds_per_div,
                lambda value: self.panel.set_timebase(value),
            )
        for name in ("TRDL", "TRIG_DELAY"):
            self.numeric(name, lambda: self.delay_sign * self.panel.delay_s + 0.0, self._delay)
        for name in ("MSIZ", "MEMORY_SIZE"):
            self.ask(name, lambda: str(self.panel.memory))
            self.do(name, lambda text: self.memory(points(text)), 1)

    def _delay(self, seconds: float) -> None:
        self.panel.delay_s = self.delay_sign * seconds + 0.0

    def _vertical(self) -> None:
        per = self.channel
        for name in ("VDIV", "VOLT_DIV"):
            self.numeric(
                f"C#:{name}", lambda n: per(n).volts_per_div, lambda n, v: per(n).set_scale(v)
            )
        for name in ("OFST", "OFFSET"):
            self.numeric(
                f"C#:{name}",
                lambda n: 0.0 - per(n).offset_v,
                lambda n, v: setattr(per(n), "offset_v", 0.0 - v),
            )
        for name in ("CPL", "COUPLING"):
            self.choose(f"C#:{name}", COUPLINGS, *attribute(per, "coupling"))
        for name in ("ATTN", "ATTENUATION"):
            self.numeric(
                f"C#:{name}",
                lambda n: per(n).probe,
                lambda n, v: per(n).set_probe(v),
                show=lambda value: f"{value:g}",
            )
        for name in ("TRA", "TRACE"):
            self.switch(f"C#:{name}", *attribute(per, "on"), words=("OFF", "ON"))

    def _trigger(self) -> None:
        for name in ("TRSE", "TRIG_SELECT"):
            self.ask(name, self._selected)
            self.tree.add(name, command=self._select)
        places = {"EX": EXTERNAL, "EXT": EXTERNAL, "LINE": LINE}
        for name in ("TRLV", "TRIG_LEVEL"):
            self.numeric(f"C#:{name}", self._level_of, self._level)
            for head, place in places.items():
                self.numeric(
                    f"{head}:{name}",
                    lambda at=place: self._level_of(at),
                    lambda volts, at=place: self._level(at, volts),
                )
        for name in ("TRSL", "TRIG_SLOPE"):
            for head in ("C#", *places):
                self.choose(f"{head}:{name}", SLOPES, self._slope, self._set_slope)

    def _slope(self, *_source: int) -> str:
        return self.panel.trigger.slope

    def _set_slope(self, *at: Any) -> None:
        self.panel.trigger.slope = at[-1]

    def _level_of(self, source: int) -> float:
        return self.panel.trigger.levels_v.get(source, 0.0)

    def _level(self, source: int, volts: float) -> None:
        self.panel.trigger.levels_v[source] = volts

    def _selected(self) -> str:
        words = {place: word for word, place in reversed(TRIGGERS.items())}
        return f"EDGE,SR,{words[self.panel.trigger.source]},HT,OFF"

    def _select(self, _numbers: list[int], given: list[str]) -> None:
        if not given or given[0].upper() != "EDGE":
            raise ScpiError(-224)
        pairs = dict(zip(given[1::2], given[2::2], strict=False))
        for key, value in pairs.items():
            if key.upper() == "SR":
                self.panel.trigger.source = TRIGGERS[choice(value, tuple(TRIGGERS))]

    def _window_text(self) -> str:
        return f"SP,{self._sparsing},NP,{self._count},FP,{self._first}"

    def _set_window(self, _numbers: list[int], given: list[str]) -> None:
        places = {"SP": "_sparsing", "NP": "_count", "FP": "_first"}
        for key, value in zip(given[::2], given[1::2], strict=False):
            amount = int(number(value))
            if amount < 0:
                raise FrontPanelError
            if key.upper() in places:
                setattr(self, places[key.upper()], amount)
        self._sparsing = max(self._sparsing, 1)


def points(text: str) -> float:
    """Read a number of points: ``12K``, ``1M``, ``100000``; here M is a million.

    Raises
    ------
    ScpiError
        When it is none.
    """
    word = text.upper().removesuffix("PTS").removesuffix("SA")
    factor = {"K": 1e3, "M": 1e6}.get(word[-1:], 1.0)
    return number(word[:-1] if factor > 1 else word) * factor


_PARTS = ("ALL", "DESC", "DAT1")
_PEAK_DETECT = 9
"""Record type of pairs of extremes."""


class C1(Mnemonics):
    """Answers with ``gain·code − offset``."""

    maker = "LECROY"
    traits = Traits(divisions=10, memory=100_000)
    units = True
    delay_sign = -1.0

    def restart(self) -> None:
        """Set the block's format and order beside what is common."""
        super().restart()
        self._low_first = False
        self._bytes_a_code = 1

    def commands(self) -> None:
        """Teach C1's headers."""
        super().commands()
        for name in ("CFMT", "COMM_FORMAT"):
            self.ask(name, lambda: f"DEF9,{('BYTE', 'WORD')[self._bytes_a_code - 1]},BIN")
            self.tree.add(name, command=self._format)
        for name in ("CORD", "COMM_ORDER"):
            self.choose(name, {"HI": False, "LO": True}, *attribute(lambda: self, "_low_first"))
        for name in ("PDET", "PEAK_DETECT"):
            self.switch(name, lambda: self.panel.acquisition == "peak", self._detect, ("OFF", "ON"))
        self.ask("CMR", self._command_error)
        self.ask("EXR", self._command_error)
        for name in ("WF", "WAVEFORM"):
            self.ask(f"C#:{name}", lambda place, part="ALL": self._waveform(place, part), 1)
            self.ask(f"F#:{name}", lambda _, part="ALL": self._waveform(MATHS, part), 1)
        self._maths()

    def _maths(self) -> None:
        self.switch("F#:TRA", *attribute(self.maths_channel, "on"), ("OFF", "ON"))
        self.numeric("F#:VDIV", lambda _: self.maths_channel().volts_per_div, self.scale_maths)
        self.ask("F#:DEF", lambda _: 'EQN,"C1-C2"')
        self.do("F#:DEF", self._define, 2)

    def _define(self, _number: int, key: str, equation: str) -> None:
        if key.upper() != "EQN" or equation.strip("\"'").replace(" ", "").upper() != "C1-C2":
            raise ScpiError(-224)

    def _detect(self, on: bool) -> None:
        self.panel.acquisition = "peak" if on else "normal"

    def _format(self, _numbers: list[int], given: list[str]) -> None:
        words = [word.upper() for word in given]
        if len(words) != 3 or words[0] != "DEF9" or words[2] != "BIN":
            raise ScpiError(-224)
        if words[1] not in ("BYTE", "WORD"):
            raise ScpiError(-224)
        self._bytes_a_code = 1 if words[1] == "BYTE" else 2

    def _command_error(self) -> str:
        # 1: unrecognised header; the register is cleared by reading.
        code, _ = self.errors.pop()
        return str({0: 0, -113: 1}.get(code, 4))

    def _waveform(self, place: int, part: str) -> Answer:
        if place:
            self.channel(place)
        if part.upper() not in _PARTS:
            raise ScpiError(-224)
        word = part.upper()
        try:
            record = self.acquisition.newest()
            trace = self.trace(record, place)
        except ScpiError as error:
            self.fail(error.code)
            return self.block(b"", f"{word},".encode())
        if record is None:
            raise ScpiError(-230)
        key = (place, word, self._low_first, self._bytes_a_code, self._window_text())
        return self.block(
            self.cached(record, key, lambda: self._contents(trace, place, word)),
            f"{word},".encode(),
        )

    def _contents(self, trace: WireTrace, place: int, word: str) -> memoryview:
        codes = self._codes(trace)
        parts: list[Buffer] = []
        if word != "DAT1":
            parts.append(self._descriptor(trace, place, len(codes)))
        if word != "DESC":
            parts.append(codes)
        return memoryview(b"".join(parts))

    def _codes(self, trace: WireTrace) -> bytes:
        codes = np.ascontiguousarray(self.window(trace.codes))
        if self._bytes_a_code == 1:
            return codes.tobytes()
        words = codes.astype(np.int16) << 8
        return words.astype("<i2" if self._low_first else ">i2").tobytes()

    def _descriptor(self, trace: WireTrace, place: int, size: int) -> bytes:
        gain = trace.scale.volts_per_code / (256 if self._bytes_a_code == 2 else 1)
        count = size // self._bytes_a_code
        rail = 127 if self._bytes_a_code == 1 else 32767
        fields: dict[int, tuple[str, Value]] = {
            0: ("16s", b"WAVEDESC"),
            16: ("16s", b"LECROY_2_3"),
            32: ("h", self._bytes_a_code - 1),
            34: ("h", int(self._low_first)),
            36: ("i", LEAST_BYTES),
            60: ("i", size),
            76: ("16s", b"VIRTUAL-C1"),
            116: ("i", count),
            120: ("i", count),
            128: ("i", count - 1),
            132: ("i", self._first),
            136: ("i", self._sparsing),
            144: ("i", 1),
            148: ("i", 1),
            152: ("h", 2 if trace.peak else 0),
            156: ("f", gain),
            160: ("f", -trace.scale.centre_v),
            164: ("f", float(rail)),
            168: ("f", float(-rail - 1)),
            172: ("h", 8),
            174: ("h", 1),
            176: ("f", trace.increment_s * self._sparsing),
            180: ("d", trace.start_s + self._first * trace.interval_s),
            188: ("d", trace.start_s),
            196: ("48s", b"V"),
            244: ("48s", b"S"),
            312: ("f", trace.interval_s * trace.codes.size),
            316: ("h", _PEAK_DETECT if trace.peak else 0),
            328: ("f", trace.scale.probe),
            344: ("h", max(place - 1, 0)),
        }
        return packed(fields, LEAST_BYTES, low_first=self._low_first)


_ACQUISITIONS = {
    "SAMPLING": "normal",
    "PEAK_DETECT": "peak",
    "AVERAGE": "average",
    "HIGH_RES": "hires",
}


class C2(Mnemonics):
    """Answers with ``code·vdiv/25 − offset``."""

    maker = "Siglent Technologies"
    traits = Traits(divisions=14, memory=14_000)
    block_ending = b"\n\n"
    units = True
    # The other way round than C1: as public drivers for this maker's scopes have measured it.
    delay_sign = 1.0

    def commands(self) -> None:
        """Teach C2's headers."""
        super().commands()
        for name in ("ACQW", "ACQUIRE_WAY"):
            self.ask(name, self._way)
            self.tree.add(name, command=self._set_way)
        for name in ("SAST", "SAMPLE_STATUS"):
            self.ask(name, self._status)
        for name in ("SARA", "SAMPLE_RATE"):
            self.ask(name, self._rate)
        for name in ("SANU", "SAMPLE_NUM"):
            self.ask(name, lambda source: self.show(self._held(source).codes.size), 1)
        for name in ("WF", "WAVEFORM"):
            self.ask(f"C#:{name}", self._waveform, 1)

    def _way(self) -> str:
        words = {meant: word for word, meant in _ACQUISITIONS.items()}
        return words[self.panel.acquisition]

    def _set_way(self, _numbers: list[int], given: list[str]) -> None:
        if not given:
            raise ScpiError(-109)
        self.panel.acquisition = _ACQUISITIONS[choice(given[0], tuple(_ACQUISITIONS))]

    def _status(self) -> str:
        automatic = self.panel.trigger.automatic
        return {
            SweepState.STOPPED: "Stop",
            SweepState.WAITING: "Ready",
            SweepState.SWEEPING: "Trig'd",
            SweepState.RUNNING: "Auto" if automatic else "Trig'd",
        }[self.acquisition.look()]

    def _rate(self) -> str:
        record = self.acquisition.held()
        if record is None or not record.codes:
            span_s = self.panel.seconds_per_div * self.model.divisions
            rate_hz = self.panel.memory / span_s
        else:
            trace = self.trace(record, next(iter(record.codes)))
            rate_hz = 1 / trace.increment_s if trace.increment_s else 0.0
        return self.show(rate_hz) + ("Sa/s" if self._headers else "")

    def _held(self, source: str) -> WireTrace:
        words = {f"C{number}": number for number in (1, 2, 3, 4)}
        place = words[choice(source, tuple(words))]
        return self.trace(self.acquisition.held(), place)

    def _waveform(self, place: int, part: str = "DAT2") -> Answer:
        self.channel(place)
        if part.upper() != "DAT2":
            raise ScpiError(-224)
        try:
            record = self.acquisition.newest()
            trace = self.trace(record, place)
        except ScpiError as error:
            self.fail(error.code)
            return self.block(b"", b"DAT2,")
        if record is None:
            raise ScpiError(-230)
        codes = self.cached(record, (place, self._window_text()), lambda: self._codes(trace))
        return self.block(codes, b"DAT2,")

    def _codes(self, trace: WireTrace) -> memoryview:
        return memoryview(np.ascontiguousarray(self.window(trace.codes)).tobytes())
