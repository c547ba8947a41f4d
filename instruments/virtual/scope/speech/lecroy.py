"""LeCroy: a binary descriptor of 346 bytes ahead of the codes, in one block.

A positive trigger delay without a unit is a percentage of the grid; a negative one is in seconds.
Nothing is the middle of the grid to the X-Stream generation and the left edge to the one before.
Offsets of the descriptor's fields: the makers' template LECROY_2_3.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

import numpy as np

from instruments.virtual.scope.panel import MATHS
from instruments.virtual.scope.record import WireTrace
from instruments.virtual.scope.scpi import Answer, Buffer, ScpiError, number
from instruments.virtual.scope.speech.common import Value, attribute, channel_states, packed
from instruments.virtual.scope.speech.mnemonics import EXTERNALS, Mnemonics

_PARTS = ("ALL", "DESC", "DAT1")
_PEAK_DETECT = 9
"""Record type of pairs of extremes."""
_DESCRIPTOR_BYTES = 346


class LeCroy(Mnemonics):
    """Answers with ``gain·code − offset``."""

    external_words: ClassVar[Mapping[str, int]] = {**EXTERNALS, "EXT": EXTERNALS["EX"]}
    defaults: ClassVar[Mapping[str, object]] = {
        "peak_detect": True,
        "extra_points": 0,
        "zero_at_left": False,
    }
    left: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "window": ("WFSU SP,4,NP,100,FP,50",),
        "no-headers": ("CHDR OFF",),
        "long-headers": ("CHDR LONG",),
        "bytes-low-first": ("CFMT DEF9,BYTE,BIN", "CORD LO"),
        "position": ("TRDL -0.3",),
        "percentage": ("TRDL 90",),
        "offset": ("C1:OFST 2V", "C2:OFST -2V"),
        **channel_states("C{n}:INVS ON", "C{n}:ATTN {x}", "BWL C{n},ON"),
        "ac": ("C1:CPL A1M", "C2:CPL A1M"),
        "maths": ("F1:TRA ON",),
        "stopped": ("STOP",),
        "armed": ("TRSE EDGE,SR,LINE", "TRMD SINGLE"),
    }

    def restart(self) -> None:
        """Set the block's format and order beside what is common."""
        super().restart()
        self._low_first = False
        self._bytes_a_code = 2

    def commands(self) -> None:
        """Teach the headers."""
        super().commands()
        for name in ("CFMT", "COMM_FORMAT"):
            self.ask(name, lambda: f"DEF9,{('BYTE', 'WORD')[self._bytes_a_code - 1]},BIN")
            self.tree.add(name, command=self._format)
        for name in ("CORD", "COMM_ORDER"):
            self.choose(name, {"HI": False, "LO": True}, *attribute(lambda: self, "_low_first"))
        for name in ("PDET", "PEAK_DETECT") if self.options["peak_detect"] else ():
            self.switch(name, lambda: self.panel.acquisition == "peak", self._detect, ("OFF", "ON"))
        self.ask("CMR", self._command_error)
        self.ask("EXR", self._command_error)
        for name in ("WF", "WAVEFORM"):
            self.ask(f"C#:{name}", lambda place, part="ALL": self._waveform(place, part), 1)
            self.ask(f"F#:{name}", lambda _, part="ALL": self._waveform(MATHS, part), 1)
        self._maths()

    @property
    def _zero_s(self) -> float:
        """Return where on the grid a delay of nothing puts the trigger, after the middle."""
        return -self.span_s / 2 if self.options["zero_at_left"] else 0.0

    def delay(self) -> float:
        """Return the delay: negative where the trigger lies before the place of nothing."""
        return 0.0 - self.panel.delay_s - self._zero_s

    def set_delay(self, text: str) -> None:
        """Set the delay: seconds where negative or so told, else a percentage of the grid."""
        value = number(text.upper().replace("PCT", ""))
        in_seconds = value <= 0 or text.upper().rstrip().endswith("S")
        from_middle_s = value + self._zero_s if in_seconds else (value / 100 - 0.5) * self.span_s
        self.panel.delay_s = 0.0 - from_middle_s

    def memory_text(self) -> str:
        """Return the memory's size."""
        return self.show(self.memory_now)

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
        word = part.upper()
        if word not in _PARTS:
            raise ScpiError(-224)
        try:
            record = self.acquisition.newest()
            trace = self.trace(record, place)
        except ScpiError as error:
            self.fail(error.code)
            return self.block(b"", f"{word},".encode())
        assert record is not None
        key = (place, word, self._low_first, self._bytes_a_code, self.window_text())
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
        codes = self.window(trace)
        extra = int(self.options["extra_points"])
        if extra and codes.size and not self._count:
            codes = np.concatenate((codes, np.repeat(codes[-1:], extra)))
        words = codes.astype(np.int16) << (16 - self.traits.bits)
        if self._bytes_a_code == 1:
            return (words >> 8).astype(np.int8).tobytes()
        return words.astype("<i2" if self._low_first else ">i2").tobytes()

    def _descriptor(self, trace: WireTrace, place: int, size: int) -> bytes:
        gain = trace.scale.volts_per_code * 2.0 ** (self.traits.bits - 8)
        gain /= 256 if self._bytes_a_code == 2 else 1
        count = size // self._bytes_a_code
        rail = 127 if self._bytes_a_code == 1 else 32767
        fields: dict[int, tuple[str, Value]] = {
            0: ("16s", b"WAVEDESC"),
            16: ("16s", b"LECROY_2_3"),
            32: ("h", self._bytes_a_code - 1),
            34: ("h", int(self._low_first)),
            36: ("i", _DESCRIPTOR_BYTES),
            60: ("i", size),
            76: ("16s", f"LECROY{self.model.product}".encode()[:16]),
            116: ("i", count),
            120: ("i", trace.points),
            128: ("i", count - 1),
            132: ("i", self._first),
            136: ("i", self._sparsing),
            144: ("i", 1),
            148: ("i", 1),
            152: ("h", 2 if trace.told_peak else 0),
            156: ("f", gain),
            160: ("f", -trace.scale.centre_v),
            164: ("f", float(rail)),
            168: ("f", float(-rail - 1)),
            172: ("h", self.traits.bits),
            174: ("h", 1),
            176: ("f", trace.increment_s * self._sparsing),
            180: ("d", trace.start_s + self._first * trace.interval_s),
            188: ("d", trace.start_s),
            196: ("48s", b"V"),
            244: ("48s", b"S"),
            312: ("f", trace.interval_s * trace.points),
            316: ("h", _PEAK_DETECT if trace.told_peak else 0),
            328: ("f", trace.scale.probe),
            344: ("h", max(place - 1, 0)),
        }
        return packed(fields, _DESCRIPTOR_BYTES, low_first=self._low_first)
