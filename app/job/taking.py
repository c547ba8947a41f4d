"""Measurements and observations as they are kept."""

from __future__ import annotations

from app.analysis.results import Measurement, Quantity, Reading
from app.job.model import Ask, Enter, Entry, Measure, Value
from app.job.plan import Step

Answer = Measurement | float | int | str | bool | None
"""What an ask is answered with."""


def entry_of(
    step: Step,
    ask: Ask,
    answer: Answer,
    *,
    taken_at: str,
    source: str,
    virtual: bool,
    settings: tuple[tuple[str, str], ...],
) -> Entry | None:
    """Return what is kept of an answer; None of one that holds nothing but that it was done."""
    if isinstance(ask, Measure) and isinstance(answer, Measurement):
        trace = answer.trace
        return Entry(
            check=step.check,
            stage=step.stage,
            label=ask.label,
            taken_at=taken_at,
            track=ask.track,
            side=ask.side,
            values=values_of(answer),
            notes=_notes_of(answer),
            turns=None if trace is None else trace.turns,
            envelope_v=None if trace is None else trace.envelope_v,
            source=source,
            virtual=virtual,
            settings=settings,
        )
    if isinstance(ask, Enter) and answer is not None:
        number = not ask.choices and not isinstance(answer, str)
        values = (Value(ask.key, float(answer), None, ask.unit),) if number else ()  # type: ignore[arg-type]
        return Entry(
            check=step.check,
            stage=step.stage,
            label=ask.key,
            taken_at=taken_at,
            values=values,
            notes=() if number else (str(answer),),
            source=source,
            virtual=virtual,
        )
    return None


def values_of(measurement: Measurement) -> tuple[Value, ...]:
    """Return everything that was found, each with its name and unit."""
    rows: list[tuple[str, Quantity | float | None, str]] = []
    if measurement.reading is not None:
        rows += _reading_rows(measurement.reading)
    if measurement.speed is not None:
        speed = measurement.speed
        rows += [
            ("speed", speed.mean_rpm, "rpm"),
            ("short-term variation", speed.variation_percent, "%"),
            ("drift", speed.drift_percent_per_min, "%/min"),
        ]
    if measurement.azimuth is not None:
        azimuth = measurement.azimuth
        rows += [
            ("azimuth", azimuth.angle_arcmin, "arcmin"),
            ("misfit", azimuth.misfit_percent, "%"),
            *((f"burst {n}", b.height_v, "V") for n, b in enumerate(azimuth.bursts, 1)),
        ]
    if measurement.index is not None:
        index = measurement.index
        rows += [("index to burst", index.delay_us, "µs"), ("scatter", index.scatter_us, "µs")]
    if measurement.output is not None:
        output = measurement.output
        rows += [
            ("amplitude", output.amplitude_v, "V"),
            ("frequency", output.frequency_hz, "Hz"),
            ("modulation", output.modulation_percent, "%"),
            ("asymmetry", output.asymmetry_ns, "ns"),
        ]
    return tuple(value for name, found, unit in rows for value in _value(name, found, unit))


def _reading_rows(reading: Reading) -> list[tuple[str, Quantity | float | None, str]]:
    return [
        ("offset", reading.offset_um, "µm"),
        ("balance", reading.balance, ""),
        ("ratio", reading.ratio, ""),
        ("first lobe", reading.first_v, "V"),
        ("second lobe", reading.second_v, "V"),
        ("speed", reading.speed_rpm, "rpm"),
        ("carrier", reading.carrier_hz, "Hz"),
        ("SNR", reading.snr_db, "dB"),
    ]


def _value(name: str, found: Quantity | float | None, unit: str) -> tuple[Value, ...]:
    if found is None:
        return ()
    if isinstance(found, Quantity):
        return (Value(name, found.value, found.u, unit),)
    return (Value(name, found, None, unit),)


def _notes_of(measurement: Measurement) -> tuple[str, ...]:
    said = [] if measurement.problem is None else [measurement.problem]
    if measurement.reading is not None:
        said += [*measurement.reading.reasons, *measurement.reading.notes]
    return tuple(map(str, said))
