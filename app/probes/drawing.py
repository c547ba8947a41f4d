"""A probe's circuit as SVG: symbols of IEC 60617 as they are commonly drawn, on a grid."""

from __future__ import annotations

from collections.abc import Callable
from html import escape

from app.probes.circuit import CircuitPart, PartKind, Point, Probe

_GRID = 20.0
_MARGIN = 2.0
_BODY = 1.0
"""Half the length of a part's body, in units of the grid."""
_LETTER = 0.36
"""Width of one in a label, in units of the grid."""
_STYLE = (
    "svg{background:#fff}path,rect,circle{fill:none;stroke:#111;stroke-width:1.6}"
    ".solid{fill:#111}text{font:13px sans-serif;fill:#111}.title{font-weight:bold;font-size:15px}"
)


def svg_of(probe: Probe) -> str:
    """Return a drawing as a whole SVG file."""
    points = [point for part in probe.parts for point in part.at]
    points += [point for wire in probe.wires for point in wire]
    points += [(x + _LETTER * len(text), y) for (x, y), text in probe.labels]
    points.append((1.2 * _LETTER * len(probe.title), 1.0))
    width = _GRID * (max(x for x, _ in points) + _MARGIN)
    height = _GRID * (max(y for _, y in points) + _MARGIN)
    shapes = [
        f'<text class="title" x="{_GRID:g}" y="{_GRID:g}">{escape(probe.title)}</text>',
        *(_path(wire) for wire in probe.wires),
        *(_shape(part) for part in probe.parts),
        *(_dot(point) for point in probe.dots),
        *(_ground(point) for point in probe.grounds),
        *(_text(point, text) for point, text in probe.labels),
    ]
    body = "\n".join(shapes)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" '
        f'width="{width:g}" height="{height:g}" role="img">\n'
        f"<title>{escape(probe.title)}</title>\n<style>{_STYLE}</style>\n{body}\n</svg>\n"
    )


def _scaled(point: Point) -> str:
    return f"{_GRID * point[0]:g} {_GRID * point[1]:g}"


def _path(points: tuple[Point, ...], more: str = "") -> str:
    return f'<path{more} d="M{" L".join(map(_scaled, points))}"/>'


def _text(point: Point, words: str) -> str:
    return f'<text x="{_GRID * point[0]:g}" y="{_GRID * point[1]:g}">{escape(words)}</text>'


def _dot(point: Point) -> str:
    x, y = point
    return f'<circle class="solid" cx="{_GRID * x:g}" cy="{_GRID * y:g}" r="3"/>'


def _ground(point: Point) -> str:
    x, y = point
    bars = (((x - half, y + down), (x + half, y + down)) for half, down in _EARTH)
    return "".join([_path(((x, y), (x, y + 0.4))), *map(_path, bars)])


_EARTH = ((0.6, 0.4), (0.4, 0.6), (0.2, 0.8))


def _shape(part: CircuitPart) -> str:
    if part.kind is PartKind.AMPLIFIER:
        return _amplifier(part)
    (x1, y1), (x2, y2) = part.at
    length = ((x2 - x1) ** 2 + (y2 - y1) ** 2) ** 0.5
    along = ((x2 - x1) / length, (y2 - y1) / length)
    middle = ((x1 + x2) / 2.0, (y1 + y2) / 2.0)

    def place(forward: float, aside: float) -> Point:
        (x, y), (fx, fy) = middle, along
        return x + forward * fx - aside * fy, y + forward * fy + aside * fx

    body, ends = _BODIES[part.kind](place)
    leads = (
        _path((part.at[0], place(-ends, 0.0))),
        _path((place(ends, 0.0), part.at[1])),
    )
    upright = abs(along[1]) > 0.5
    beside = (middle[0] + 0.8, middle[1] + 0.2) if upright else (middle[0] - 0.9, middle[1] - 0.9)
    return "".join([*leads, body, _text(beside, f"{part.name} {part.words}".rstrip())])


_Place = Callable[[float, float], Point]
"""From how far along and aside of a part's middle to the point."""


def _resistor(place: _Place) -> tuple[str, float]:
    corners = (place(-_BODY, -0.4), place(_BODY, -0.4), place(_BODY, 0.4), place(-_BODY, 0.4))
    return _path((*corners, corners[0])), _BODY


def _capacitor(place: _Place) -> tuple[str, float]:
    plates = ((place(each, -0.7), place(each, 0.7)) for each in (-0.2, 0.2))
    return "".join(map(_path, plates)), 0.2


def _diode(place: _Place) -> tuple[str, float]:
    corners = (place(-0.5, -0.5), place(0.5, 0.0), place(-0.5, 0.5))
    bar = _path((place(0.5, -0.5), place(0.5, 0.5)))
    return _path((*corners, corners[0]), ' class="solid"') + bar, 0.5


def _switch(place: _Place) -> tuple[str, float]:
    return _path((place(-_BODY, 0.0), place(_BODY - 0.2, -0.8))), _BODY


_BODIES = {
    PartKind.RESISTOR: _resistor,
    PartKind.CAPACITOR: _capacitor,
    PartKind.DIODE: _diode,
    PartKind.SWITCH: _switch,
}


def _amplifier(part: CircuitPart) -> str:
    (left, top), (right, bottom) = part.at
    middle = (top + bottom) / 2.0
    outline = _path(((left, top), (right, middle), (left, bottom), (left, top)))
    upper, lower = top + 0.25 * (bottom - top), bottom - 0.25 * (bottom - top)
    return "".join(
        [
            outline,
            _text((left + 0.2, upper + 0.25), "+"),
            _text((left + 0.2, lower + 0.25), "−"),
            _text((left + 0.9, middle + 0.2), part.name),
        ]
    )
