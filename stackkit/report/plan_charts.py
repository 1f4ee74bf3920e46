"""The charts of a planned night as SVG: altitudes by the hour, the view up, the Moon's disc."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

from markupsafe import Markup, escape

from stackkit.schemas.nights import ChosenNightRecord, SpanRecord
from stackkit.schemas.plan import (
    ChartedStarRecord,
    ChartedTargetRecord,
    DirectionRecord,
    PlanRecord,
    TargetRecord,
)

Point = tuple[float, float]

_WIDE, _HIGH = 420.0, 300.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 34.0, 10.0, 30.0, 40.0
_MARGIN = timedelta(minutes=45)
"""Time shown before sunset and after sunrise."""
_NUMBERED = 5
"""Targets that are drawn, by their place in the list."""
_HALF = 172.0
"""Radius of the view up, in units of its drawing."""
_CENTRE = 45.0
"""Altitude in the middle of the view up, degrees."""
_APART = 18.0
"""Distance between labels, in units of the drawing."""
_SIZES = ((0.5, 3.4), (1.5, 2.6), (2.3, 1.9), (9.0, 1.3))
"""Greatest magnitude of each size, and the radius."""
_NAMED = 1.3
"""Magnitude up to which stars are named."""


def night_chart(record: PlanRecord, numbers: dict[str, int]) -> Markup:
    """Altitudes of Moon and targets through the night, over bands of twilight and darkness.

    ``numbers``: the number that a target has in the page's list, by its id.
    """
    night, curves = record["night"], record["chart"]["curves"]
    start, end = _shown(night)
    axis = _Hours(start, end)
    times = [datetime.fromisoformat(time) for time in curves["times"]]
    parts = [*_bands(night, axis), *_grid(axis, record["skyline_deg"])]
    taken: list[Point] = []
    parts.append(_line("moon", _curve(axis, times, curves["moon"])))
    parts += _label(_curve(axis, times, curves["moon"]), "Moon", "moon-name", taken)
    shown = curves["targets"][:_NUMBERED]
    for row in reversed(shown):
        name = "pick" if row is shown[0] else "other"
        parts.append(_line(name, _curve(axis, times, row["altitude"])))
    for row in shown:
        points = _curve(axis, times, row["altitude"])
        parts += _label(points, str(numbers.get(row["id"], "")), "number", taken)
    parts += _best(axis, record["pick"])
    return _svg("night", _WIDE, _HIGH, "Altitudes through the night", _described(record), parts)


class _Hours:
    """The axis of time, from ``start`` to ``end``."""

    def __init__(self, start: datetime, end: datetime) -> None:
        self.start, self.end = start, end

    def at(self, time: datetime) -> float:
        share = (time - self.start) / (self.end - self.start)
        return _LEFT + min(max(share, 0.0), 1.0) * (_WIDE - _LEFT - _RIGHT)

    def shows(self, time: datetime) -> bool:
        return self.start <= time <= self.end

    def ticks(self) -> list[datetime]:
        """Whole hours of the place's clock, every second one in a long night.

        Along the clock of the evening: across a change of the clocks the hours after it are those
        of the new time, which each moment carries itself.
        """
        step = 2 if self.end - self.start > timedelta(hours=13) else 1
        first = self.start.replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)
        count = int((self.end - first) / timedelta(hours=1)) + 1
        return [first + timedelta(hours=k) for k in range(0, count, step)]


def _shown(night: ChosenNightRecord) -> tuple[datetime, datetime]:
    whole = night["whole"]
    start, end = (datetime.fromisoformat(whole[key]) for key in ("from", "until"))
    if night["sunset"]:
        start = max(start, datetime.fromisoformat(night["sunset"]) - _MARGIN)
    if night["sunrise"]:
        end = min(end, datetime.fromisoformat(night["sunrise"]) + _MARGIN)
    return start, end


def _y(altitude: float) -> float:
    return _HIGH - _BOTTOM - altitude / 90 * (_HIGH - _TOP - _BOTTOM)


def _bands(night: ChosenNightRecord, axis: _Hours) -> list[str]:
    """Day, three twilights and night, each over the one before; the dark window on top."""
    parts = [_band("day", axis.start, axis.end, axis)]
    for name in ("sun", "civil", "nautical", "astronomical"):
        parts += [_band(name, *_ends(span), axis) for span in night["sun_below"][name]]
    for span in night["dark"]:
        start, end = _ends(span)
        parts.append(_band("dark", start, end, axis))
        left, right = axis.at(start), axis.at(end)
        parts.append(f'<path class="bar" d="M{left:.1f} {_TOP - 5}H{right:.1f}"/>')
        middle = min(max((left + right) / 2, _LEFT + 40), _WIDE - _RIGHT - 40)
        parts.append(_text(middle, _TOP - 11, "dark window", "name mid"))
    return parts


def _ends(span: SpanRecord) -> tuple[datetime, datetime]:
    return datetime.fromisoformat(span["from"]), datetime.fromisoformat(span["until"])


def _band(name: str, start: datetime, end: datetime, axis: _Hours) -> str:
    left, right = axis.at(start), axis.at(end)
    return (
        f'<rect class="band-{name}" x="{left:.1f}" y="{_TOP}" width="{max(right - left, 0):.1f}" '
        f'height="{_HIGH - _TOP - _BOTTOM}"/>'
    )


def _grid(axis: _Hours, skyline: float) -> list[str]:
    left, right = _LEFT, _WIDE - _RIGHT
    parts = []
    for altitude in (0, 30, 60, 90):
        y = _y(altitude)
        parts.append(f'<path class="grid" d="M{left} {y:.1f}H{right}"/>')
        parts.append(_text(left - 5, y + 4, f"{altitude}°", "tick end"))
    for tick in axis.ticks():
        x = axis.at(tick)
        parts.append(f'<path class="grid" d="M{x:.1f} {_y(0)}v5"/>')
        parts.append(_text(x, _y(0) + 18, f"{tick:%H}", "tick mid"))
    if skyline > 0:
        y = _y(skyline)
        parts.append(
            f'<rect class="skyline" x="{left}" y="{y:.1f}" width="{right - left}" '
            f'height="{_y(0) - y:.1f}"/>'
        )
        parts.append(_text(right - 4, y + 13, "skyline and haze", "name end soft"))
    parts.append(_text((left + right) / 2, _HIGH - 6, "local time", "name mid"))
    return parts


def _curve(axis: _Hours, times: Sequence[datetime], altitudes: Sequence[float]) -> list[Point]:
    """Points above the horizon; (NaN, NaN) where the line is broken."""
    points: list[Point] = []
    for time, altitude in zip(times, altitudes, strict=True):
        inside = axis.shows(time) and altitude >= 0
        points.append((axis.at(time), _y(altitude)) if inside else (math.nan, math.nan))
    return points


def _line(name: str, points: Sequence[Point]) -> str:
    path, down = [], False
    for x, y in points:
        if math.isnan(x):
            down = False
            continue
        path.append(f"{'L' if down else 'M'}{x:.1f} {y:.1f}")
        down = True
    return f'<path class="{name}" d="{"".join(path) or "M0 0"}"/>'


def _label(points: Sequence[Point], text: str, name: str, taken: list[Point]) -> list[str]:
    """The line's name at its highest free place, or nothing where there is none."""
    inner = [p for p in points if _LEFT + 12 < p[0] < _WIDE - _RIGHT - 12 and p[1] < _y(5)]
    for x, y in sorted(inner, key=lambda p: p[1]):
        place = (x, y + (15 if y < _TOP + 12 else -6))
        if all(math.dist(place, other) > _APART for other in taken):
            taken.append(place)
            return [_text(*place, text, f"name mid {name}")]
    return []


def _best(axis: _Hours, pick: TargetRecord | None) -> list[str]:
    if pick is None:
        return []
    x = axis.at(datetime.fromisoformat(pick["best"]))
    y = _y(max(pick["altitude_deg"], 0))
    return [f'<circle class="here" cx="{x:.1f}" cy="{y:.1f}" r="5"/>']


def _described(record: PlanRecord) -> str:
    night, pick = record["night"], record["pick"]
    said = f"Bands of twilight and night, and the Moon's altitude. {night['reason']}."
    if pick:
        said += (
            f" {pick['name']} stands {pick['altitude_deg']:.0f} degrees high when it is best, in "
            f"the {pick['compass']}."
        )
    return said


def view_up(record: PlanRecord, numbers: dict[str, int]) -> Markup | None:
    """Half of the sky as seen from the ground, facing the way the camera points.

    Stereographic, its middle half up, so that horizon and zenith are both in it.  None without
    anything to aim at.
    """
    sky = record["chart"]["sky"]
    if sky is None:
        return None
    facing = record["aim"]["azimuth_deg"]

    def spot(
        row: DirectionRecord | ChartedStarRecord | ChartedTargetRecord, behind: float = 0.02
    ) -> Point | None:
        return _stereographic(row["altitude_deg"], row["azimuth_deg"] - facing, behind)

    parts = [f'<circle class="sky" r="{_HALF}"/>']
    named: list[Point] = []
    for star in sky["stars"]:
        at = spot(star)
        if at is None:
            continue
        radius = next(size for limit, size in _SIZES if star["mag"] <= limit)
        parts.append(_disc("star", at, radius))
        # Brightest first; a name that would overlap another is left out.
        free = all(abs(at[0] - x) > 60 or abs(at[1] - y) > 11 for x, y in named)
        if star["name"] and star["mag"] < _NAMED and free:
            named.append(at)
            parts.append(_text(at[0] + 5, at[1] + 4, star["name"], "star-name"))
    frame = [at for row in sky["frame"] if (at := spot(row, 0.5))]
    parts.append(f'<path class="frame" d="M{_joined(frame)}Z"/>')
    pick = record["pick"]
    track = [at for row in pick["track"] if (at := spot(row))] if pick else []
    parts.append(f'<path class="way" d="M{_joined(track)}"/>')
    if sky["moon"] and (at := spot(sky["moon"])):
        parts += [_disc("moon-disc", at, 7), _text(at[0] + 10, at[1] + 4, "Moon", "name")]
    taken: list[Point] = []
    for row in sky["targets"][:_NUMBERED]:
        if at := spot(row):
            parts.append(_disc("spot", at, 3))
            place = next(p for p in _around(at) if all(math.dist(p, o) > 11 for o in taken))
            taken.append(place)
            parts.append(_text(*place, str(numbers.get(row["id"], "")), "name mid number"))
    altitude = record["aim"]["altitude_deg"]
    parts += [*_ground(facing), *_ladder(altitude)]
    parts.append(_text(0, _HALF * 0.61, f"{altitude:.0f}° up", "name mid"))
    said = (
        f"Half of the sky as you face {record['aim']['compass']}, with the picture's frame "
        f"{record['aim']['altitude_deg']:.0f} degrees up."
    )
    wide, high = 2 * _HALF + 8, 1.66 * _HALF + 4
    return _svg("view", wide, high, "The view up", said, parts, origin=-_HALF - 4)


def _around(at: Point) -> Iterator[Point]:
    """Places for a label, the nearest first."""
    for distance in range(9, 200, 6):
        for angle in (0, 90, 180, 270, 45, 135, 225, 315):
            x, y = math.cos(math.radians(angle)), math.sin(math.radians(angle))
            yield at[0] + distance * x, at[1] + 4 + distance * y


def _stereographic(altitude: float, aside: float, behind: float = 0.02) -> Point | None:
    """Position of a direction, x right and y down; None farther than ``behind`` in the half of the
    sky behind (by the cosine of the angle from the middle).
    """
    alt, az, centre = (math.radians(value) for value in (altitude, aside, _CENTRE))
    along = math.cos(alt) * math.cos(az)
    ahead = along * math.cos(centre) + math.sin(alt) * math.sin(centre)
    if ahead < -behind:
        return None
    scale = _HALF / (1 + ahead)
    over = math.sin(alt) * math.cos(centre) - along * math.sin(centre)
    return scale * math.cos(alt) * math.sin(az), -scale * over


def _ground(facing: float) -> list[str]:
    """The ground below the horizon, with the compass points on it."""
    horizon = [at for aside in range(-90, 91, 3) if (at := _stereographic(0, aside))]
    rim = f"A{_HALF} {_HALF} 0 0 1 {horizon[0][0]:.1f} {horizon[0][1]:.1f}"
    parts = [f'<path class="ground" d="M{_joined(horizon)}{rim}Z"/>']
    for k, name in enumerate(("N", "NE", "E", "SE", "S", "SW", "W", "NW")):
        aside = (45 * k - facing + 180) % 360 - 180
        at = _stereographic(-6, aside)
        if abs(aside) < 80 and at:
            parts.append(_text(at[0], at[1] + 4, name, "name mid compass"))
    return parts


def _ladder(altitude: float) -> list[str]:
    """A scale from the horizon straight up to the aim, a rung for each fist (10°)."""
    top = _stereographic(altitude, 0) or (0.0, 0.0)
    foot = _stereographic(0, 0) or (0.0, 0.0)
    parts = [f'<path class="rung" d="M0 {foot[1]:.1f}V{top[1]:.1f}M-5 {top[1]:.1f}h10"/>']
    for rung in range(10, int(altitude) + 1, 10):
        x, y = _stereographic(rung, 0) or (0.0, 0.0)
        parts.append(f'<path class="rung" d="M{x - 5:.1f} {y:.1f}h10"/>')
    return parts


def moon_disc(lit: float, waxing: bool, south: bool) -> Markup:
    """The Moon as it looks when high, from the northern or the southern hemisphere."""
    right = waxing != south
    bulge = 10 * abs(1 - 2 * lit)
    inner = int((lit > 0.5) == right)
    outer = int(right)
    path = f"M0-10A10 10 0 0 {outer} 0 10A{bulge:.2f} 10 0 0 {inner} 0-10Z"
    return Markup(
        '<svg class="disc" viewBox="-11 -11 22 22" aria-hidden="true">'
        f'<circle class="unlit" r="10"/><path class="lit" d="{path}"/></svg>'
    )


def _joined(points: Sequence[Point]) -> str:
    return "L".join(f"{x:.1f} {y:.1f}" for x, y in points) or "0 0"


def _disc(name: str, at: Point, radius: float) -> str:
    return f'<circle class="{name}" cx="{at[0]:.1f}" cy="{at[1]:.1f}" r="{radius}"/>'


def _text(x: float, y: float, text: str, name: str) -> str:
    return f'<text class="{name}" x="{x:.1f}" y="{y:.1f}">{escape(text)}</text>'


def _svg(
    name: str,
    wide: float,
    high: float,
    title: str,
    said: str,
    parts: Sequence[str],
    origin: float = 0.0,
) -> Markup:
    """An ``svg`` that takes its colours from the page's style, with a text for screen readers."""
    return Markup(
        f'<svg class="chart {name}" viewBox="{origin:g} {origin:g} {wide:g} {high:g}" role="img" '
        f'aria-labelledby="{name}-title {name}-text"><title id="{name}-title">{escape(title)}'
        f'</title><desc id="{name}-text">{escape(said)}</desc>{"".join(parts)}</svg>'
    )
