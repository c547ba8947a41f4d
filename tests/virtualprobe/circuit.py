"""The circuit between a card's output and its input: couplings, detector, converter.

Sources: Shockley's law i = Is·(exp(v/nVt) − 1) with a resistor in series has the closed solution by
the Wright omega function (Corless and Jeffrey, 2002); capacitors are stepped by the trapezoidal
rule, whose recursion scipy.signal.lfilter runs.
"""

from dataclasses import dataclass

import numpy as np
from scipy.signal import firwin, lfilter, upfirdn
from scipy.special import wrightomega

OVER = 8
_SPAN = 16


@dataclass(frozen=True)
class Parts:
    """Values of the components, in volts, hertz, seconds and parts.

    ``kind`` is ``"full"`` or ``"half"`` (wave, with diodes), ``"precise"`` (an amplifier's diodes,
    with a dead zone) or ``"none"`` (no detector).
    """

    kind: str = "full"
    drive_v: float = 1.5
    """Peak at the output's full scale."""
    output_corner_hz: float = 5.0
    saturation_a: float = 2e-7
    n_vt_v: float = 0.028
    load_ohm: float = 47e3
    dead_v: float = 0.1
    smoothing_hz: float = 2e3
    input_corner_hz: float = 7.0
    gains: tuple[float, ...] = (1.0,)
    """Of the card's input columns, in parts of full scale a volt."""
    limit: float | None = None
    """Where the input's own stage cuts tops off, in parts of full scale."""
    crosstalk: float = 0.0
    offset: float = 0.0
    noise: float = 2e-5
    hum: float = 0.0
    hum_hz: float = 50.0
    bits: int = 16
    polarity: int = 1
    outputs_to: tuple[tuple[float, ...], ...] = ((1.0,),)
    """For each input column the part that it takes of each output."""
    seed: int = 0

    def detected_v(self, volts):
        """What the detector gives for `volts` at its input, without its capacitor."""
        if self.kind == "none":
            return volts
        if self.kind == "half":
            return self._behind_diode_v(np.maximum(volts, 0.0))
        if self.kind == "full":
            return self._behind_diode_v(np.abs(volts))
        return np.maximum(np.abs(volts) - self.dead_v, 0.0)

    def _behind_diode_v(self, volts):
        """Solve volts = y + n·Vt·ln(1 + y/(R·Is)) for y, the load's voltage."""
        small = self.load_ohm * self.saturation_a
        inside = (volts + small) / self.n_vt_v + np.log(small / self.n_vt_v)
        return np.maximum(self.n_vt_v * wrightomega(inside).real - small, 0.0)

    def static_v(self, amplitudes_v):
        """What the detector gives, in the mean, for a sine of each amplitude."""
        angle = 2 * np.pi * (np.arange(2048) + 0.5) / 2048
        return np.array([self.detected_v(a * np.sin(angle)).mean() for a in amplitudes_v])


class Stepped:
    """A first-order capacitor and resistor, stepped by the trapezoidal rule; keeps its charge."""

    def __init__(self, corner_hz, step_s, high):
        half = np.pi * corner_hz * step_s
        self._b = np.array([1.0, -1.0] if high else [half, half]) / (1.0 + half)
        self._a = np.array([1.0, -(1.0 - half) / (1.0 + half)])
        self._charge = np.zeros(1)

    def __call__(self, volts):
        out, self._charge = lfilter(self._b, self._a, volts, zi=self._charge)
        return out


class _Filter:
    """A converter's linear-phase low-pass, up to the steps or down from them; keeps what was."""

    def __init__(self, up):
        self._up, self._down = (OVER, 1) if up else (1, OVER)
        self._taps = self._up * firwin(_SPAN * OVER + 1, 0.94, fs=2 * OVER)
        self._before = np.zeros(_SPAN * self._down)

    def __call__(self, volts):
        kept = np.concatenate([self._before, volts])
        self._before = kept[-len(self._before) :]
        out = upfirdn(self._taps, kept, self._up, self._down)
        first = _SPAN * self._up
        return out[first : first + len(volts) * self._up // self._down]


class Circuit:
    """Takes what is played, and gives what the card's input makes of it."""

    def __init__(self, parts, rate_hz):
        self.parts = parts
        self._rate_hz = rate_hz
        step_s = 1.0 / (OVER * rate_hz)
        columns = range(len(parts.gains))
        self._out_filter = [_Filter(up=True) for _ in parts.outputs_to[0]]
        self._out_coupling = [
            Stepped(parts.output_corner_hz, step_s, high=True) for _ in parts.outputs_to[0]
        ]
        self._smoothing = [Stepped(parts.smoothing_hz, step_s, high=False) for _ in columns]
        self._in_coupling = [Stepped(parts.input_corner_hz, step_s, high=True) for _ in columns]
        self._in_filter = [_Filter(up=False) for _ in columns]
        self._random = np.random.default_rng(parts.seed)
        self._at = 0

    def through(self, played):
        """From parts of full scale, (frames, outputs), to float32, (frames, inputs)."""
        parts, outputs = self.parts, []
        for column in range(played.shape[1]):
            driven_v = parts.drive_v * self._out_filter[column](played[:, column])
            outputs.append(self._out_coupling[column](driven_v))
        inputs = []
        for column, takes in enumerate(parts.outputs_to):
            volts = sum(part * output for part, output in zip(takes, outputs, strict=True))
            detected_v = parts.polarity * parts.detected_v(volts)
            if parts.kind != "none":
                detected_v = self._smoothing[column](detected_v)
            if parts.input_corner_hz:
                detected_v = self._in_coupling[column](detected_v)
            staged = detected_v * parts.gains[column]
            if parts.limit is not None:
                staged = np.clip(staged, -parts.limit, parts.limit)
            inputs.append(self._in_filter[column](staged))
        heard = np.column_stack(inputs)
        if heard.shape[1] == 2:
            heard = heard + parts.crosstalk * heard[:, ::-1]
        return self._converted(heard)

    def _converted(self, heard):
        parts, frames = self.parts, len(heard)
        times_s = (self._at + np.arange(frames)) / self._rate_hz
        self._at += frames
        hum = parts.hum * np.sin(2 * np.pi * parts.hum_hz * times_s)
        heard = heard + parts.offset + hum[:, None]
        heard = heard + parts.noise * self._random.standard_normal(heard.shape)
        step = 2.0 ** (1 - parts.bits)
        return np.clip(np.round(heard / step) * step, -1.0, 1.0 - step).astype(np.float32)
