"""Bursts and written tracks made by plain numpy, with wow, noise, hum and unequal gains."""

from __future__ import annotations

import numpy as np

RATE_HZ = 1e6
CARRIER_CYCLES = 25_000
FREQUENCY_OF_WOW_HZ = 1.3
PULSE_TURNS = 0.02


def places(turns: float, rng, rpm: float = 300.0, wow: float = 0.0015, start: float = 0.9):
    """Return the place of the disk in turns at each sample; an edge is at each whole number."""
    times_s = np.arange(round(turns * 60.0 / rpm * RATE_HZ)) / RATE_HZ
    rate = rpm / 60.0
    omega = 2 * np.pi * FREQUENCY_OF_WOW_HZ
    phase = rng.uniform(0, 2 * np.pi)
    swing = wow * rate / omega * (np.sin(omega * times_s + phase) - np.sin(phase))
    return start + rate * times_s + swing


def _part(place):
    """Return what is beyond the last whole number; np.remainder takes three times as long."""
    return place - np.floor(place)


def finish(signal, place, rng, snr_db=20.0, amplitude_v=0.4, hum_v=0.02):
    """Return columns plus, minus, index of a differential of amplitude 1."""
    times_s = np.arange(signal.size) / RATE_HZ
    hum = hum_v * np.sin(2 * np.pi * 50.0 * times_s + rng.uniform(0, 6))
    noise_v = amplitude_v * 0.5**0.5 * 10 ** (-snr_db / 20) * 0.5**0.5
    plus = 1.01 * (0.5 * amplitude_v * signal + hum) + noise_v * rng.standard_normal(signal.size)
    minus = 0.99 * (-0.5 * amplitude_v * signal + hum) + noise_v * rng.standard_normal(signal.size)
    edge = np.clip(_part(place + 0.5) * 0.2 * RATE_HZ - 0.1 * RATE_HZ + 0.5, 0, 1)
    part = _part(place)
    index = 5.0 * (1.0 - edge * (part < 0.5))
    index[part > PULSE_TURNS] = 5.0
    return np.stack([plus, minus, index], axis=1).astype(np.float32)


def bursts(seed: int, delay_us: float, heights=(1.0,), turns: float = 11.3, **more):
    """Return columns with a burst each eighth of a turn, abrupt, the first after `delay_us`."""
    rng = np.random.default_rng(seed)
    rpm = more.pop("rpm", 300.0)
    place = places(turns, rng, rpm)
    since = _part(place - delay_us * 1e-6 * rpm / 60.0)
    number = np.minimum((since * 8).astype(int), 7)
    all_heights = np.zeros(8)
    all_heights[: len(heights)] = heights
    on = (since * 8 - number) < 0.5
    signal = (
        all_heights[number] * on * np.cos(2 * np.pi * CARRIER_CYCLES * place + 6 * rng.random())
    )
    return finish(signal, place, rng, **more)


def written(seed: int, cycles: int, modulation: float, asymmetry_ns: float, turns=11.3, **more):
    """Return columns of a written track whose positive tops come early by half the asymmetry."""
    rng = np.random.default_rng(seed)
    place = places(turns, rng)
    angle = 2 * np.pi * cycles * place
    # The tops lie where angle + s·sin(angle) turns through 0 and half a turn more.
    early = 2 * np.pi * cycles * 5.0 * asymmetry_ns * 1e-9 / 2.0
    signal = np.cos(angle + early * np.cos(angle)) * (
        1 + modulation * np.cos(2 * np.pi * place + 6 * rng.random())
    )
    return finish(signal, place, rng, **more)


def min_max_of(samples, together=20):
    """Return pairs of rows, lowest and highest of the differential, the index beside them."""
    usable = len(samples) // together * together
    parts = (samples[:usable, 0] - samples[:usable, 1]).reshape(-1, together)
    rows = np.stack([parts.min(axis=1), parts.max(axis=1)], axis=1).reshape(-1)
    index = np.repeat(samples[:usable:together, 2], 2)
    return np.stack([rows, index], axis=1).astype(np.float32)
