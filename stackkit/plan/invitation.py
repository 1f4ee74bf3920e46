"""The planned night as a calendar entry: RFC 5545, written by the library icalendar."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime, timedelta
from pathlib import Path

from icalendar import Alarm, Calendar, Event

from stackkit.run.files import replacing
from stackkit.schemas.plan import PlanRecord

_REMIND = timedelta(hours=3)
"""Before the window begins: time to check the weather, pack, and drive."""


def write_invitation(record: PlanRecord, path: Path) -> None:
    """Writes the calendar entry of a record to ``path``.

    Raises ``OutputError`` when the disk refuses.
    """
    data = invitation(record)
    with replacing(path) as temporary:
        temporary.write_bytes(data)


def invitation(record: PlanRecord) -> bytes:
    """An iCalendar object with one event: the usable hours of the night, in UTC."""
    night = record["night"]
    window = night["window"]
    calendar = Calendar()
    calendar.add("prodid", f"-//stackkit//stackkit {record['stackkit']}//EN")
    calendar.add("version", "2.0")
    event = Event()
    # Calendars are shared: nothing in the entry is derived from the coordinates.
    key = f"{night['date']} {window['from']} {window['until']}"
    event.add("uid", f"{hashlib.sha256(key.encode()).hexdigest()[:24]}@stackkit")
    event.add("dtstamp", _moment(record["made"]))
    event.add("dtstart", _moment(window["from"]))
    event.add("dtend", _moment(window["until"]))
    pick = record["pick"]
    event.add("summary", f"Night sky: {pick['name']}" if pick else "Night sky")
    event.add("description", _description(record))
    event.add("transp", "OPAQUE")
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("trigger", -_REMIND)
    alarm.add("description", "Look at the weather, and at your list.")
    event.add_component(alarm)
    calendar.add_component(event)
    return bytes(calendar.to_ical())


def _moment(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)


def _description(record: PlanRecord) -> str:
    lines = [*record["summary"], *record["remarks"]]
    lines.append(f"Moon: {record['night']['phase']}, {record['night']['reason']}.")
    lines += [record["weather"], *record["cautions"]]
    for section in record["checklist"]:
        lines += ["", section["title"], *(f"- {item}" for item in section["items"])]
    return "\n".join(lines)
