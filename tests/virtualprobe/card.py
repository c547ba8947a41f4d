"""A card as a source of blocks and as a player, in virtual time."""

import numpy as np

from instruments.source import Block, Role, Source, SourceInfo
from tests.virtualprobe.circuit import Circuit

_BLOCK = 0.05
_CLIPPED = 1 - 1.5 / 32768


class VirtualCard(Source):
    """What is played comes back through a circuit, `delay_s` later; reading moves the time on.

    ``fast_part`` is by how much its clock is fast; a block may be late by some milliseconds.
    """

    name = "virtual card"

    def __init__(self, parts, rate_hz=48_000, roles=(Role.ENVELOPE,), fast_part=0.0, delay_s=0.137):
        self._circuit = Circuit(parts, rate_hz)
        self.rate_hz = float(rate_hz)
        self.outputs = len(parts.outputs_to[0])
        self._fast_part = fast_part
        self._random = np.random.default_rng(parts.seed + 1)
        self._waiting = np.zeros((0, self.outputs))
        self._delay = round(delay_s * rate_hz)
        self._at = 0
        self.now_s = 0.0
        self.loudest = 0.0
        self.silenced = False
        self.skips_circuit = False
        self.broken_in = None
        """Another program's sound: added to the input, a function of times in seconds."""
        self._info = SourceInfo(
            name="virtual:", roles=roles, roles_from="given", sample_rate_hz=float(rate_hz),
            bandwidth_hz=0.45 * rate_hz, live=True,
        )  # fmt: skip

    def open(self):
        pass

    def close(self):
        pass

    def changes_to(self, parts):
        """Put another circuit in the place of this one."""
        self._circuit = Circuit(parts, round(self.rate_hz))

    def play(self, samples):
        lead = np.zeros((self._delay, self.outputs))
        self._waiting = np.concatenate([self._waiting, lead, samples])
        self.loudest = max(self.loudest, float(np.abs(samples).max()))

    def silence(self):
        self._waiting = self._waiting[:0]
        self.silenced = True

    def read(self, timeout_s):
        frames = round(_BLOCK * self.rate_hz)
        played = np.zeros((frames, self.outputs))
        now, self._waiting = self._waiting[:frames], self._waiting[frames:]
        played[: len(now)] = now
        if self.skips_circuit:
            samples = np.zeros((frames, len(self._info.roles)), np.float32)
        else:
            samples = self._circuit.through(played)
        times_s = (self._at + np.arange(frames)) / self.rate_hz
        if self.broken_in is not None:
            samples = samples + self.broken_in(times_s)[:, None].astype(np.float32)
        first, self._at = self._at, self._at + frames
        left_s = self._at / (self.rate_hz * (1 + self._fast_part))
        late_s = self._random.exponential(2e-3) + 5e-3 * self._random.random()
        self.now_s = max(self.now_s, left_s + late_s)
        clipped = bool(np.any(np.abs(samples) >= _CLIPPED))
        return Block(samples, self.rate_hz, first, self.now_s, clipped=clipped, uncalibrated=True)
