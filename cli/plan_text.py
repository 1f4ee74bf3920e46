"""A plan in words and small tables, to read on a terminal or in the dark."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from typing import Literal

from stackkit.plan.sky.places import minute_of
from stackkit.schemas.nights import ChosenNightRecord, DuskDawnRecord, NightRecord, PlanPlaceRecord
from stackkit.schemas.plan import (
    ExposureRecord,
    PlanCameraRecord,
    PlanRecord,
    TargetRecord,
    TrackRecord,
)

from .terminal import fitted

_NARROWEST = 40
_LABEL = 12
_WIDE = 72
_STRIPPED = 55
"""Columns below which the nights are not drawn as a chart."""
_MOST_TARGETS = 8
_MOST_NIGHTS = 5
_MARKS = {"s": ".", "t": ":", "m": "o", "d": "#"}
_TWILIGHTS: tuple[Literal["civil", "nautical", "astronomical"], ...] = (
    "civil",
    "nautical",
    "astronomical",
)
_SHORT = {"north": "N", "east": "E", "south": "S", "west": "W"}
_FIT = {
    "fits": "fits this lens",
    "small": "is small in this lens",
    "larger": "is larger than the picture",
}

Line = tuple[str, str]
"""The start of the line, and the text after it, which may be wrapped below itself."""


def text(record: PlanRecord, columns: int = 80) -> str:
    """The plan ready to print, its lines broken between words to fit 80 columns or fewer."""
    width = max(min(columns, 80), _NARROWEST)
    return "\n".join(fitted(start, said, width) for start, said in _lines(record, width))


def target_list(rows: list[tuple[str, str, str]], columns: int = 80) -> str:
    """All targets: name, kind, and why."""
    width = max(min(columns, 80), _NARROWEST)
    lines = (fitted("", f"{name} ({kind}). {why}", width, hang=4) for name, kind, why in rows)
    return "\n".join(lines)


def _lines(record: PlanRecord, width: int) -> Iterator[Line]:
    place = record["place"]
    yield "", f"{_coordinates(place)}, times of {place['zone']}"
    yield "", ""
    for said in [*record["summary"], *record["remarks"], record["weather"]]:
        yield "  * ", said
    yield from _section("The night", _night(record["night"], record))
    if len(record["nights"]) > 1:
        yield from _section("The nights ahead", _nights(record, width))
    if record["targets"] or record["pick"]:
        yield from _section("What to point at", _targets(record, width))
    yield from _section("What to set", _settings(record, width))
    yield from _section("How to frame", _framing(record))
    yield from _section("Before anything else", (("  * ", said) for said in record["cautions"]))
    for section in record["checklist"]:
        yield from _section(section["title"], (("  [ ] ", said) for said in section["items"]))


def _section(title: str, lines: Iterator[Line]) -> Iterator[Line]:
    yield "", ""
    yield "", title
    yield from lines


def _labelled(rows: Iterator[tuple[str, str]]) -> Iterator[Line]:
    for name, said in rows:
        yield f"  {name:<{_LABEL}}", said


def _coordinates(place: PlanPlaceRecord) -> str:
    north, east = place["latitude"], place["longitude"]
    return f"{abs(north):.2f}° {'N' if north >= 0 else 'S'}, {abs(east):.2f}° {_side(east)}"


def _side(east: float) -> str:
    return "E" if east >= 0 else "W"


def _day(text: str) -> str:
    day = date.fromisoformat(text)
    return f"{day:%a} {day.day:2d} {day:%b}"


def _night(night: ChosenNightRecord, record: PlanRecord) -> Iterator[Line]:
    yield from _labelled(_night_facts(night, record))


def _night_facts(night: ChosenNightRecord, record: PlanRecord) -> Iterator[tuple[str, str]]:
    yield "Date", f"{_day(night['date'])}, evening, and the morning after"
    yield "Sun", _sun(night)
    if any(row["dusk"] or row["dawn"] for row in _twilights(night).values()):
        yield "Twilight", _twilight(night)
    yield "Moon", _moon(night)
    yield "Dark window", _dark(night)
    if night["window"]["kind"] != "dark":
        start, end = (minute_of(night["window"][key]) for key in ("from", "until"))
        yield "Best hours", f"{start} to {end} anyway"
    brighter = record["sky_mag"] - night["moonlit_mag"]
    said = (
        f"at its brightest {night['moonlit_mag']:.1f} mag/arcsec² in these hours, "
        f"{10 ** (0.4 * brighter):.1f} times a moonless one"
        if brighter >= 0.05
        else "hardly any moonlight in these hours"
    )
    yield "Sky", said


def _sun(night: ChosenNightRecord) -> str:
    if night["sunset"] is None and night["sunrise"] is None:
        return "does not rise" if night["sun_below"]["sun"] else "does not set"
    return f"sets {minute_of(night['sunset'])}, rises {minute_of(night['sunrise'])}"


def _twilights(night: ChosenNightRecord) -> dict[str, DuskDawnRecord]:
    of = night["twilights"]
    return {k: of[k] for k in _TWILIGHTS}


def _twilight(night: ChosenNightRecord) -> str:
    return "ends and begins: " + ", ".join(
        f"{name} {minute_of(row['dusk'])} and {minute_of(row['dawn'])}"
        for name, row in _twilights(night).items()
        if row["dusk"] or row["dawn"]
    )


def _moon(night: ChosenNightRecord) -> str:
    moves = [
        f"{verb} {minute_of(time)}"
        for time, verb in ((night["moonrise"], "rises"), (night["moonset"], "sets"))
        if time
    ]
    if night["moonrise"] and night["moonset"] and night["moonset"] < night["moonrise"]:
        moves.reverse()
    always = "up all the time" if night["moon_up"] else "below the horizon all the time"
    return f"{night['phase']}, {100 * night['lit']:.0f} % lit; {', '.join(moves) or always}"


def _dark(night: ChosenNightRecord) -> str:
    spans = [f"{minute_of(span['from'])} to {minute_of(span['until'])}" for span in night["dark"]]
    return f"{' and '.join(spans) or 'none'}: {night['reason']}"


def _nights(record: PlanRecord, width: int) -> Iterator[Line]:
    """A chart of the nights by date, then the best of them with their reasons."""
    rows = record["nights"]
    if width < _STRIPPED:
        yield from _plain_nights(rows)
    else:
        yield from _drawn_nights(record, width)
    yield "  ", record["ranking"]
    yield "", ""
    yield "  The best of them", ""
    for row in sorted(rows, key=lambda row: row["rank"])[:_MOST_NIGHTS]:
        spans = ", ".join(f"{minute_of(s['from'])}-{minute_of(s['until'])}" for s in row["dark"])
        said = f"{spans or 'no dark window'}: {row['reason']}"
        yield f"  {row['rank']:>2}. {_day(row['date'])}  ", said


def _plain_nights(rows: list[NightRecord]) -> Iterator[Line]:
    yield "  evening      dark   Moon  rank", ""
    for row in rows:
        sky = f"{row['dark_h']:4.1f} h  {100 * row['lit']:3.0f} %"
        yield f"  {_day(row['date'])} {sky} {row['rank']:>3} {row['verdict']}", ""
    yield "  ", "dark: Sun far down, no Moon or a thin one; Moon: how much of it is lit"


def _drawn_nights(record: PlanRecord, width: int) -> Iterator[Line]:
    rows = record["nights"]
    first, last = _used([row["strip"] for row in rows])
    step = 1 if width >= _WIDE and last - first <= 44 else 2
    start = datetime.fromisoformat(record["night"]["whole"]["from"])
    ruler = _ruler(start, first, last, step)
    yield f"  evening    {ruler:<{len(range(first, last, step))}}  Moon rank", ""
    for row in rows:
        strip = "".join(_MARKS[letter] for letter in row["strip"][first:last:step])
        rank = f"{row['rank']:>3} {row['verdict']}"
        moon = f"{100 * row['lit']:3.0f} %"
        yield f"  {_day(row['date'])} {strip} {moon}{rank}", ""
    yield (
        "  ",
        ". Sun up  : twilight  o Moon in a dark sky  # dark;  Moon: how much of it is lit",
    )


def _used(strips: list[str]) -> tuple[int, int]:
    """The half hours that are not day in some night, with one more at each side."""
    used = [k for k in range(len(strips[0])) if any(strip[k] != "s" for strip in strips)]
    if not used:
        return 0, len(strips[0])
    first = max(used[0] - 1, 0)
    return first - first % 2, min(used[-1] + 2, len(strips[0]))


def _ruler(start: datetime, first: int, last: int, step: int) -> str:
    """Clock hours above the strips, every third hour."""
    marks = [" "] * ((last - first) // step + 3)
    begin = start.hour + start.minute / 60
    for hour in range(3, 48, 3):
        at = round((2 * (hour - begin) - first) / step)
        if 0 <= at <= (last - first) // step:
            marks[at : at + 2] = f"{hour % 24:02d}"
    return "".join(marks).rstrip()


def _short(compass: str) -> str:
    return "".join(_SHORT[part] for part in compass.split("-"))


def _targets(record: PlanRecord, width: int) -> Iterator[Line]:
    rows = record["targets"][:_MOST_TARGETS]
    pick = record["pick"]
    if pick and all(row["id"] != pick["id"] for row in rows):
        rows = [pick, *rows[: _MOST_TARGETS - 1]]
    wide = width >= _WIDE
    named = min(max(len(row["name"]) for row in rows), 34) if wide else 20
    head = f"  {'name':<{named}}  best  look up "
    yield head + ("  size in px  from-until" if wide else ""), ""
    for row in rows:
        name = row["name"] if len(row["name"]) <= named else row["name"][: named - 1] + "…"
        where = f"{_short(row['compass']):>4} {row['altitude_deg']:2.0f}°"
        line = f"  {name:<{named}} {minute_of(row['best'])} {where}"
        if wide:
            size = "×".join(f"{side:.0f}" for side in row["size_px"])
            use = f"{minute_of(row['usable']['from'])}-{minute_of(row['usable']['until'])}"
            line += f" {size:>11}  {use}"
        yield line + ("*" if row["near_moon"] else ""), ""
    yield (
        "  ",
        (
            "best: the best time to start, when it is highest while the frames still fit in; up: "
            "degrees above the horizon (a fist at arm's length is 10°)"
            + ("; *: within 30° of the Moon" if any(r["near_moon"] for r in rows) else "")
        ),
    )
    if pick:
        yield "", ""
        yield "  ", _about(pick)


def _about(pick: TargetRecord) -> str:
    moon = pick["moon_distance_deg"]
    beside = f", {moon:.0f}° from the Moon" if moon is not None else ""
    begin, end = pick["track"][0], pick["track"][-1]
    fit = _FIT[pick["fit"]]
    return (
        f"{pick['name']}: {pick['why']} At its best it is {pick['level']}{beside}. It goes "
        f"from {_where(begin)} to {_where(end)}, and {fit}."
    )


def _where(point: TrackRecord) -> str:
    return f"{point['altitude_deg']:.0f}° in the {point['compass']} at {minute_of(point['time'])}"


def _settings(record: PlanRecord, width: int) -> Iterator[Line]:
    yield from _labelled(_setting_facts(record))
    exposure = record["exposure"]
    yield "", ""
    wide = width >= _STRIPPED + 7
    if wide:
        yield "  common rules           allows   trail: middle  fastest", ""
    else:
        yield "  ", "common rules: seconds they allow, px of trail in the middle and at most"
    limit, rate = exposure["limit_s"], exposure["rate_px_s"]
    rows = [("this lens, by geometry", limit, rate["middle"] * limit, rate["fastest"] * limit)]
    rows += [
        (rule["name"], rule["seconds"], rule["middle_px"], rule["fastest_px"])
        for rule in exposure["rules"]
    ]
    for name, seconds, middle, fastest in rows:
        if not wide:
            trails = " ".join(f"{value:3.{int(value < 9.95)}f}" for value in (middle, fastest))
            yield f"  {name:<22} {seconds:3.{int(seconds < 9.95)}f} s {trails}", ""
            continue
        yield f"  {name:<24} {seconds:7.1f} s  {middle:8.1f} px {fastest:5.1f} px", ""
    if exposure["why"]:
        yield "  ", exposure["why"]


def _setting_facts(record: PlanRecord) -> Iterator[tuple[str, str]]:
    camera, exposure, series = record["camera"], record["exposure"], record["series"]
    yield "Camera", _camera(camera)
    yield "Exposure", _exposure(exposure, record)
    yield (
        "Frames",
        (
            f"{series['frames']}, one every {series['cadence_s']:g} s: "
            f"{series['total_s'] / 60:.1f} min of exposure in {series['length_s'] / 60:.0f} min"
        ),
    )
    yield (
        "Room",
        (
            f"about {_size(series['bytes'])} on the card; of a full battery some "
            f"{100 * series['battery_share']:.0f} %, twice that in frost (a guess)"
        ),
    )
    iso = record["iso"]
    if iso is None:
        yield (
            "ISO",
            (
                "800 to 3200 to begin with; a test frame of the night sky is more precise: --like"
                " FRAME"
            ),
        )
    else:
        yield "ISO", iso["advice"]["words"] if iso["advice"] else f"unknown: {iso['remark']}"


def _camera(camera: PlanCameraRecord) -> str:
    said = (
        f"{camera['focal_mm']:.3g} mm (as {camera['focal_35mm']:.0f} mm on 36×24), "
        f"f/{camera['f_number']:g}, {camera['pitch_um']:.3g} µm pixels, sees {camera['sees']}"
    )
    if camera["assumed"]:
        said += ". None was given, so this is a usual phone's: see --camera"
    return said


def _exposure(exposure: ExposureRecord, record: PlanRecord) -> str:
    aim = record["aim"]
    start = f"{exposure['set_s']:g} s: stars trail by {exposure['trail_px']:.1f} px at most"
    where = f" where the camera points ({aim['compass']}, {aim['altitude_deg']:.0f}° up)"
    if exposure["asked"] and exposure["trail_px"] > exposure["allowed_px"]:
        return (
            f"{start}{where}. That is more than {exposure['allowed_px']:g} px, which "
            f"{exposure['limit_s']:.1f} s would keep."
        )
    return f"{start}{where}"


def _size(count: float) -> str:
    return f"{count / 1e9:.1f} GB" if count >= 1e9 else f"{count / 1e6:.0f} MB"


def _framing(record: PlanRecord) -> Iterator[Line]:
    series = record["series"]
    for said in (series["drift_words"], series["framing"], series["ground"]):
        if said:
            yield "  ", said
