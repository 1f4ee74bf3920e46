"""``plan.html``: a planned night on one page, to print or to open from disk in the dark."""

from __future__ import annotations

from datetime import date, timedelta
from functools import cache
from pathlib import Path
from typing import Any, Literal

from jinja2 import Template

from stackkit.plan.sky.places import minute_of
from stackkit.report.document import environment, rendered
from stackkit.report.plan_charts import moon_disc, night_chart, view_up
from stackkit.run.files import replacing
from stackkit.schemas.nights import ChosenNightRecord, NightRecord
from stackkit.schemas.plan import PlanRecord, TargetRecord

_MOST = 8
"""Targets on the page."""
_EVENTS: dict[Literal["sun", "civil", "nautical", "astronomical"], tuple[str, str]] = {
    "sun": ("Sunset", "Sunrise"),
    "civil": ("Civil twilight ends", "Civil twilight begins"),
    "nautical": ("Nautical twilight ends", "Nautical twilight begins"),
    "astronomical": ("Astronomical twilight ends", "Astronomical twilight begins"),
}
_FIT = {"fits": "fits", "small": "small", "larger": "larger than the picture"}


def write_page(record: PlanRecord, path: Path) -> None:
    """Writes the page of a record to ``path``.

    Raises ``OutputError`` when the disk refuses.
    """
    with replacing(path) as temporary:
        temporary.write_text(page_of_plan(record), encoding="utf-8", newline="\n")


def page_of_plan(record: PlanRecord) -> str:
    """The page as HTML: no script, its own style allowed by its hash, all text escaped."""
    listed = _listed(record)
    numbers = {row["id"]: number for number, row in enumerate(listed, 1)}
    return rendered(
        _template(),
        ("base.css", "plan.css"),
        None,
        record=record,
        night=record["night"],
        day=date.fromisoformat(record["night"]["date"]),
        events=_events(record["night"]),
        targets=listed,
        fits=_FIT,
        weeks=_weeks(record),
        night_chart=night_chart(record, numbers),
        view_up=view_up(record, numbers),
        disc=moon_disc(
            record["night"]["lit"], record["night"]["waxing"], record["place"]["latitude"] < 0
        ),
    )


@cache
def _template() -> Template:
    made = environment()
    made.filters["clock"] = minute_of
    made.filters["day"] = lambda day: f"{day:%A} {day.day} {day:%B %Y}"
    return made.get_template("plan.html")


def _listed(record: PlanRecord) -> list[TargetRecord]:
    """The target to aim at, then the best of the others."""
    pick = record["pick"]
    others = [row for row in record["targets"] if pick is None or row["id"] != pick["id"]]
    return [*([pick] if pick else []), *others][:_MOST]


def _events(night: ChosenNightRecord) -> list[tuple[str, str]]:
    """The events of the night in order of time."""
    found = [
        event
        for key, (evening, morning) in _EVENTS.items()
        for row in [night["twilights"][key]]
        for event in ((row["dusk"], evening), (row["dawn"], morning))
    ]
    found += [(night["moonrise"], "Moonrise"), (night["moonset"], "Moonset")]
    # Compared as moments: offsets differ on a night when the clocks change.
    known = [(time, words) for time, words in found if time]
    return sorted(known, key=lambda event: _instant(event[0]))


def _instant(time: str) -> float:
    from datetime import datetime

    return datetime.fromisoformat(time).timestamp()


def _weeks(record: PlanRecord) -> list[list[dict[str, Any] | None]]:
    """The ranked nights as weeks from Monday to Sunday; empty for a single night."""
    rows = record["nights"]
    if len(rows) < 2:
        return []
    south = record["place"]["latitude"] < 0
    by_date = {date.fromisoformat(row["date"]): row for row in rows}
    first, last = min(by_date), max(by_date)
    monday = first - timedelta(days=first.weekday())
    weeks = []
    while monday <= last:
        days = [monday + timedelta(days=k) for k in range(7)]
        weeks.append([_cell(day, by_date.get(day), south) for day in days])
        monday += timedelta(days=7)
    return weeks


def _cell(day: date, row: NightRecord | None, south: bool) -> dict[str, Any] | None:
    if row is None:
        return None
    named = day.day == 1
    return {
        "day": f"{day.day} {day:%b}" if named else str(day.day),
        "full": f"{day:%A} {day.day} {day:%B}",
        "row": row,
        "disc": moon_disc(row["lit"], row["waxing"], south),
    }
