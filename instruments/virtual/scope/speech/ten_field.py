"""Speeches that describe a waveform by a preamble of ten fields."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from instruments.virtual.scope.acquisition import SweepState
from instruments.virtual.scope.panel import EXTERNAL, MATHS, Trigger
from instruments.virtual.scope.record import SweepRecord, WireTrace
from instruments.virtual.scope.scpi import Answer, Buffer, ScpiError
from instruments.virtual.scope.speech.common import Interpreter, attribute

_FIELDS = (
    "XINCrement",
    "XORigin",
    "XREFerence",
    "YINCrement",
    "YORigin",
    "YREFerence",
)


class TenField(Interpreter):
    """What these speeches have in common."""

    maths_words: ClassVar[tuple[str, ...]]
    """Words for the maths channel, of which a waveform is read."""
    external_word: ClassVar[str]
    line_word: str
    """The word for the mains as the trigger's source."""
    couplings: ClassVar[Mapping[str, str]] = {"DC": "dc", "AC": "ac"}
    types: ClassVar[Mapping[str, str]]
    """Words for the kinds of acquisition."""
    offset_sign: ClassVar[float] = 1.0
    """Of the offset's number: 1 when it is the volts in the middle of the screen."""

    switch_words: ClassVar[tuple[str, str]] = ("0", "1")
    limit_words: ClassVar[tuple[str, str]] = ("0", "1")
    """Answers for a setting that is on or off."""

    source: int
    format: str

    def restart(self) -> None:
        """Set the waveform's source and format."""
        self.source = 1
        self.format = "BYTE"

    def commands(self) -> None:
        """Teach what both have."""
        self.do(":RUN", self.acquisition.run)
        self.do(":STOP", self.acquisition.stop)
        self.do(":SINGle", self.acquisition.single)
        self.ask(":SYSTem:ERRor[:NEXT]", self.next_error)
        self.choose(":ACQuire:TYPE", self.types, *attribute(lambda: self.panel, "acquisition"))
        self.ask(":ACQuire:SRATe", lambda: self.show(self.memory_now / self.span_s))
        self._vertical()
        self._trigger()
        self._waveform()

    def fields(self, trace: WireTrace) -> tuple[float, ...]:
        """Return the last six fields of the preamble."""
        raise NotImplementedError

    def preamble(self) -> str:
        """Return the ten fields."""
        raise NotImplementedError

    def points(self, record: SweepRecord) -> int | None:
        """Return how many points a waveform is read in; None for all there are."""
        raise NotImplementedError

    def data(self, *source: str) -> Answer:
        """Return the waveform."""
        raise NotImplementedError

    def held_trace(self) -> WireTrace:
        """Return the source's trace that is in memory."""
        record = self.acquisition.held()
        return self.trace(record, self.source, self.points(record) if record else None)

    @property
    def sources(self) -> dict[str, int]:
        """Words for the channels that a waveform is read of."""
        words = {f"CHANnel{number}": number for number in range(1, self.model.channels + 1)}
        return words | dict.fromkeys(self.maths_words, MATHS)

    def empty(self) -> list[Buffer]:
        """Return a block with nothing in it."""
        return self.block(b"")

    def state(self) -> SweepState:
        """Return what the acquisition is doing."""
        return self.acquisition.look()

    def maths(self, head: str, operator: str) -> None:
        """Teach the headers of a maths channel, which does one thing: channel 1 minus 2."""
        self.switch(head + "DISPlay", *attribute(self.maths_channel, "on"), self.switch_words)
        self.choose(head + operator, {"SUBTract": ""}, lambda: "", lambda _: None)
        for name, place in (("SOURce1", 1), ("SOURce2", 2)):
            self.choose(head + name, {f"CHANnel{place}": 0}, lambda: 0, lambda _: None)
        self.numeric(head + "SCALe", lambda: self.maths_channel().volts_per_div, self.scale_maths)
        self.numeric(
            head + "OFFSet",
            lambda: self.offset_sign * self.maths_channel().offset_v,
            lambda volts: setattr(self.maths_channel(), "offset_v", self.offset_sign * volts + 0.0),
        )

    def _vertical(self) -> None:
        per = self.channel
        head = ":CHANnel#:"
        self.switch(head + "DISPlay", *attribute(per, "on"), self.switch_words)
        self.switch(head + "INVert", *attribute(per, "inverted"), self.switch_words)
        self.numeric(
            head + "SCALe", lambda n: per(n).volts_per_div, lambda n, v: per(n).set_scale(v)
        )
        self.numeric(
            head + "RANGe", lambda n: 8 * per(n).volts_per_div, lambda n, v: per(n).set_scale(v / 8)
        )
        self.numeric(
            head + "OFFSet", lambda n: self.offset_sign * per(n).offset_v + 0.0, self._offset
        )
        self.choose(head + "COUPling", self.couplings, *attribute(per, "coupling"))
        self.teach_limit(head + "BWLimit", *self.limit_words)
        self.numeric(head + "PROBe", lambda n: per(n).probe, lambda n, v: per(n).set_probe(v))

    def _offset(self, place: int, volts: float) -> None:
        self.channel(place).offset_v = self.offset_sign * volts + 0.0

    def _trigger(self) -> None:
        def trigger() -> Trigger:
            return self.panel.trigger

        self.choose(":TRIGger:MODE", {"EDGE": "edge"}, lambda: "edge", lambda _: None)
        sources = self.words_for("CHANnel#", {self.external_word: EXTERNAL}, self.line_word)
        self.choose(":TRIGger[:EDGE]:SOURce", sources, *attribute(trigger, "source"))
        self.choose(
            ":TRIGger[:EDGE]:SLOPe",
            {"POSitive": "rise", "NEGative": "fall", "RFALl": "either", "EITHer": "either"},
            *attribute(trigger, "slope"),
        )
        self.numeric(":TRIGger[:EDGE]:LEVel", lambda: trigger().edge.level_v, self._level)
        self.choose(
            ":TRIGger:SWEep", {"AUTO": True, "NORMal": False}, *attribute(trigger, "automatic")
        )

    def _level(self, volts: float) -> None:
        self.panel.trigger.levels_v[self.panel.trigger.source] = volts

    def _waveform(self) -> None:
        self.choose(":WAVeform:SOURce", self.sources, *attribute(lambda: self, "source"))
        self.choose(
            ":WAVeform:FORMat",
            {"BYTE": "BYTE", "WORD": "WORD", "ASCii": "ASCii"},
            *attribute(lambda: self, "format"),
        )
        self.ask(":WAVeform:PREamble", lambda: self.preamble())
        self.ask(":WAVeform:DATA", lambda *source: self.data(*source), 1)
        for place, name in enumerate(_FIELDS):
            self.ask(
                f":WAVeform:{name}", lambda at=place: self.show(self.fields(self.held_trace())[at])
            )


def whole(text: str) -> int:
    """Read a whole number.

    Raises
    ------
    ScpiError
        When it is none.
    """
    try:
        return int(float(text))
    except ValueError:
        raise ScpiError(-104) from None
