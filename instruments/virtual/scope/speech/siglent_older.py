"""Siglent SDS1000X-E, SDS2000X-E and the SDS1000CML generation; Teledyne LeCroy T3DSO1000.

Signed codes with two newlines after them; the numbers come from the settings. The older
generation has eighteen divisions and a descriptor ahead of its codes.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from instruments.virtual.scope.acquisition import SweepState
from instruments.virtual.scope.record import WireTrace
from instruments.virtual.scope.scpi import Answer, ScpiError, choice, number
from instruments.virtual.scope.speech.common import Value, channel_states, packed
from instruments.virtual.scope.speech.mnemonics import EXTERNALS, Mnemonics, short_points

_ACQUISITIONS = {
    "SAMPLING": "normal",
    "PEAK_DETECT": "peak",
    "AVERAGE": "average",
    "HIGH_RES": "hires",
}
_DESCRIPTOR_BYTES = 346


class SiglentOlder(Mnemonics):
    """Answers with ``code·vdiv/25 − offset``."""

    block_ending = b"\n\n"
    external_words = EXTERNALS
    defaults: ClassVar[Mapping[str, object]] = {
        "delay_sign": 1.0,
        "level_times_probe": False,
        "stop_word": "Stop",
        "memory_while_stopped": False,
    }
    left: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "window": ("WFSU SP,4,NP,100,FP,50",),
        "no-headers": ("CHDR OFF",),
        "long-headers": ("CHDR LONG",),
        "position": ("TRDL 300MS",),
        "offset": ("C1:OFST 2V", "C2:OFST -2V"),
        **channel_states("C{n}:INVS ON", "C{n}:ATTN {x}", "BWL C{n},ON"),
        "ac": ("C1:CPL A1M", "C2:CPL A1M"),
        "zoom": ("HMAG 1MS",),
        "maths": ("MATH:TRA ON",),
        "average": ("ACQW AVERAGE,16",),
        "stopped": ("STOP",),
        "armed": ("TRSE EDGE,SR,LINE", "TRMD SINGLE"),
    }

    def commands(self) -> None:
        """Teach the headers."""
        super().commands()
        for name in ("ACQW", "ACQUIRE_WAY"):
            self.ask(name, self._way)
            self.tree.add(name, command=self._set_way)
        self.teach("SAST", "", self._status)
        self.teach("SARA", "", self._rate)
        for name in ("SANU", "SAMPLE_NUM"):
            self.ask(name, self._sample_number, 1)
        for name in ("WF", "WAVEFORM"):
            self.ask(f"C#:{name}", self.waveform, 1)
        self.numeric("HMAG", lambda: self.panel.seconds_per_div, lambda _: None)
        self.ask("DEF", lambda: "EQN,'C1-C2'")
        self.do("DEF", self._define, 2)
        self.switch("MATH:TRA", *self._maths_shown(), words=("OFF", "ON"))
        self.numeric("MTVD", lambda: self.maths_channel().volts_per_div, self.scale_maths)
        self.ask("CMR", self._command_error)

    def _maths_shown(self):  # noqa: ANN202 - as attribute returns it
        return (
            lambda: self.maths_channel().on,
            lambda on: setattr(self.maths_channel(), "on", on),
        )

    def delay(self) -> float:
        """Return the delay, with the model's sign; nothing is ``-0.00E+00``."""
        return float(self.options["delay_sign"]) * self.panel.delay_s or -0.0

    def set_delay(self, text: str) -> None:
        """Set the delay."""
        self.panel.delay_s = float(self.options["delay_sign"]) * number(text) + 0.0

    def level(self, source: int) -> float:
        """Return the level as the scope tells it, which may lack the probe's factor."""
        return super().level(source) / self._level_factor(source)

    def set_level(self, source: int, volts: float) -> None:
        """Set the level, which some take for volts behind the probe."""
        super().set_level(source, volts * self._level_factor(source))

    def _level_factor(self, source: int) -> float:
        by_probe = self.options["level_times_probe"] and source > 0
        return self.channel(source).probe if by_probe else 1.0

    def memory(self, points: float) -> None:
        """Set the memory's size, which a scope that stands still does not take."""
        if not self.options["memory_while_stopped"]:
            self.only(running=True)
        super().memory(points)

    def memory_text(self) -> str:
        """Return the memory's size."""
        return short_points(self.memory_now)

    def _define(self, key: str, equation: str) -> None:
        if key.upper() != "EQN" or equation.strip("\"'").replace(" ", "").upper() != "C1-C2":
            raise ScpiError(-224)

    def _command_error(self) -> str:
        code, _ = self.errors.pop()
        return str({0: 0, -113: 1}.get(code, 4))

    def _way(self) -> str:
        words = {meant: word for word, meant in _ACQUISITIONS.items()}
        way = words[self.panel.acquisition]
        return f"{way},16" if way == "AVERAGE" else way

    def _set_way(self, _numbers: list[int], given: list[str]) -> None:
        if not given:
            raise ScpiError(-109)
        self.panel.acquisition = _ACQUISITIONS[choice(given[0], tuple(_ACQUISITIONS))]

    def _status(self) -> str:
        automatic = self.panel.trigger.automatic
        return {
            SweepState.STOPPED: str(self.options["stop_word"]),
            SweepState.WAITING: "Ready",
            SweepState.SWEEPING: "Trig'd",
            SweepState.RUNNING: "Auto" if automatic else "Trig'd",
        }[self.acquisition.look()]

    def _rate(self) -> str:
        record = self.acquisition.held()
        if record is None or not record.codes:
            rate_hz = self.memory_now / self.span_s
        else:
            trace = self.trace(record, next(iter(record.codes)))
            rate_hz = 1 / trace.increment_s if trace.increment_s else 0.0
        return self.show(rate_hz) + ("Sa/s" if self._headers else "")

    def _sample_number(self, source: str = "C1") -> str:
        words = {f"C{number}": number for number in range(1, self.model.channels + 1)}
        trace = self.trace(self.acquisition.held(), words[choice(source, tuple(words))])
        return self.show(trace.points) + ("pts" if self._headers else "")

    def waveform(self, place: int, part: str = "DAT2") -> Answer:
        """Return the codes of a channel."""
        self.channel(place)
        if part.upper() != "DAT2":
            raise ScpiError(-224)
        try:
            record = self.acquisition.newest()
            trace = self.trace(record, place)
        except ScpiError as error:
            self.fail(error.code)
            return self.block(b"", b"DAT2,")
        assert record is not None
        codes = self.cached(
            record, (place, self.window_text()), lambda: memoryview(self.window(trace).tobytes())
        )
        return self.block(codes, b"DAT2,")


class SiglentOldest(SiglentOlder):
    """The SDS1000CML generation: ``*IDN?`` has a header, ``WF? ALL`` a descriptor ahead."""

    left: ClassVar[Mapping[str, tuple[str, ...]]] = {
        state: messages
        for state, messages in SiglentOlder.left.items()
        if state not in ("maths", "zoom")
    }

    def identified(self, header: str, answer: Answer) -> Answer:
        """Return the answer to ``*IDN?`` behind its header."""
        return f"{header.rstrip('?')} {answer}" if header.startswith("*IDN") else answer

    def memory_text(self) -> str:
        """Return the memory's size."""
        return "NORMAL"

    def commands(self) -> None:
        """Teach the headers."""
        super().commands()
        for name in ("WF", "WAVEFORM"):
            self.ask(f"C#:{name}", lambda place, part="ALL": self.waveform(place, part), 1)
        self.tree.remove("MATH:TRA")
        self.teach("MSIZ", "", self.memory_text, self._set_memory)

    def _set_memory(self, text: str) -> None:
        choice(text, ("NORMAL", "LONG"))

    def waveform(self, place: int, part: str = "ALL") -> Answer:
        """Return descriptor and codes of a channel; there are more codes than the screen shows."""
        self.channel(place)
        word = choice(part, ("ALL", "DESC", "DAT2"))
        if word == "DAT2":
            return super().waveform(place, word)
        trace = self.trace(self.acquisition.newest(), place)
        codes = self.window(trace).tobytes()
        data = self._descriptor(trace, len(codes)) + (codes if word == "ALL" else b"")
        return self.block(data, f"{word},".encode())

    def _descriptor(self, trace: WireTrace, size: int) -> bytes:
        fields: dict[int, tuple[str, Value]] = {
            0: ("16s", b"WAVEDESC"),
            34: ("h", 1),  # COMM_ORDER: low byte first
            36: ("i", _DESCRIPTOR_BYTES),
            60: ("i", size),
            116: ("i", size),
            120: ("i", trace.points),
            136: ("i", self._sparsing),
            148: ("i", 1),
            156: ("f", trace.scale.volts_per_code),
            160: ("f", -trace.scale.centre_v),
            176: ("f", trace.increment_s),
            180: ("d", trace.start_s),
            328: ("f", trace.scale.probe),
        }
        return packed(fields, _DESCRIPTOR_BYTES, low_first=True)
