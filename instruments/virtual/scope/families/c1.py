"""Family C1: a binary descriptor of 346 bytes ahead of the codes, in one block.

Offsets of the descriptor's fields: 156, 160 and 176 as measured, the others from memory.
"""

from __future__ import annotations

import numpy as np

from instruments.virtual.scope.families.descriptor import LEAST_BYTES, Value, packed
from instruments.virtual.scope.families.mnemonics import Mnemonics
from instruments.virtual.scope.families.vocabulary import attribute
from instruments.virtual.scope.panel import MATHS
from instruments.virtual.scope.record import Trace, Traits
from instruments.virtual.scope.scpi import Answer, Buffer, ScpiError

_PARTS = ("ALL", "DESC", "DAT1")
_PEAK_DETECT = 9
"""Record type of pairs of extremes."""


class C1(Mnemonics):
    """Answers with ``gain·code − offset``."""

    maker = "LECROY"
    traits = Traits(divisions=10, memory=100_000)
    units = True

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

    def _contents(self, trace: Trace, place: int, word: str) -> memoryview:
        codes = self._codes(trace)
        parts: list[Buffer] = []
        if word != "DAT1":
            parts.append(self._descriptor(trace, place, len(codes)))
        if word != "DESC":
            parts.append(codes)
        return memoryview(b"".join(parts))

    def _codes(self, trace: Trace) -> bytes:
        codes = np.ascontiguousarray(self.window(trace.codes))
        if self._bytes_a_code == 1:
            return codes.tobytes()
        words = codes.astype(np.int16) << 8
        return words.astype("<i2" if self._low_first else ">i2").tobytes()

    def _descriptor(self, trace: Trace, place: int, size: int) -> bytes:
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
