"""``stackkit plan`` from outside: what it says, its JSON, calendar entry, page, and bad input."""

from __future__ import annotations

import copy
import json
import socket
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache

import icalendar
import numpy as np
import pytest
import vobject
from command_line import fault, good, one_frame
from grids import corners
from jsonschema import Draft202012Validator
from stackkit_cli.plan_text import text

from stackkit.errors import InputError
from stackkit.plan.camera import CLASSES
from stackkit.plan.invitation import invitation
from stackkit.plan.planner import Request, plan
from stackkit.plan.record import record
from stackkit.plan.sky.places import place
from stackkit.plan.targets import targets
from stackkit.report.plan_page import page_of_plan
from stackkit.schemas.fields import schema_of
from stackkit.schemas.plan import PlanRecord

VALIDATOR = Draft202012Validator(schema_of(PlanRecord))
ZURICH = ("--lat", "47.37", "--lon", "8.54")
NOW = datetime(2026, 10, 20, 15, tzinfo=UTC).timestamp()
CASES = {
    "thirty nights": (("47.37", "8.54"), {}),
    "one night": (("47.37", "8.54"), {"evening": date(2026, 11, 7)}),
    "southern": (("-33.9", "151.2"), {"evening": date(2026, 5, 15), "camera": "full-frame"}),
    "a target": (("47.37", "8.54"), {"target": "orion nebula", "camera": "aps-c 50mm f/1.8"}),
    "a target that is not up": (
        ("47.37", "8.54"),
        {"target": "milky way centre", "evening": date(2026, 12, 9), "skyline": 10.0},
    ),
    "full Moon": (("47.37", "8.54"), {"evening": date(2026, 10, 26)}),
    "clocks go back": (("47.37", "8.54"), {"evening": date(2026, 10, 24)}),
    "polar night": (("78.2", "15.6"), {"evening": date(2026, 12, 10)}),
    "at the pole": (("90", "0"), {"evening": date(2026, 12, 10)}),
    "bright summer night": (("54", "10"), {"evening": date(2026, 6, 21)}),
    "date line": (("1.87", "-157.4"), {"count": 8}),
    "fisheye overhead": (
        ("47.37", "8.54"),
        {"camera": "8mm f/3.5 fisheye 23.5x15.6mm 6000x4000", "evening": date(2026, 1, 17)},
    ),
    "a circle in the picture": (
        ("51.5", "-0.13"),
        {"camera": "8mm f/2.8 fisheye full-frame", "evening": date(2026, 11, 7)},
    ),
    "a small circle": (
        ("51.5", "-0.13"),
        {"camera": "4.5mm f/2.8 fisheye full-frame", "evening": date(2026, 11, 7)},
    ),
    "a year": (("70", "20"), {"count": 366}),
}


@lru_cache
def told(name):
    """The record of one of the cases."""
    where, asked = CASES[name]
    return record(plan(Request(place(*where), NOW, **asked)))


@pytest.fixture(
    scope="module",
    params=corners(CASES, [c for c in CASES if c not in ("a year", "a small circle")]),
)
def made(request):
    return told(request.param)


@pytest.fixture(autouse=True)
def home(monkeypatch, tmp_path):
    """A home of its own, and no network."""
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "home/.config"))

    def refuse(*_):
        raise AssertionError("the network was reached for")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    return tmp_path / "home"


def test_the_record_fits_its_schema(made):
    Draft202012Validator.check_schema(schema_of(PlanRecord))
    VALIDATOR.validate(json.loads(json.dumps(made, allow_nan=False)))


@pytest.mark.parametrize("columns", [200, 80, 40])
def test_words_fit_eighty_columns(made, columns):
    said = text(made, columns)
    assert max(map(len, said.splitlines())) <= min(columns, 80)
    flat = " ".join(said.split())
    for words in (
        "does not know the weather",
        "Local rules and warnings come first",
        "Never point a camera or any optics at the Sun",
        "Tell somebody where you are",
        "this lens, by geometry",
        "All frames share",
    ):
        assert words in flat
    assert "None" not in said.replace("None was given", "").replace("None of these", "")
    assert "nan" not in flat.casefold().split()


def test_times_are_in_order(made):
    night = made["night"]
    order = [
        night["twilights"][name]["dusk"] for name in ("sun", "civil", "nautical", "astronomical")
    ]
    order += [
        night["twilights"][name]["dawn"] for name in ("astronomical", "nautical", "civil", "sun")
    ]
    moments = [datetime.fromisoformat(time) for time in order if time]
    assert moments == sorted(moments)
    whole = datetime.fromisoformat(night["whole"]["until"]) - datetime.fromisoformat(
        night["whole"]["from"]
    )
    assert whole == timedelta(days=1)


def test_nights_are_ranked_once_each(made):
    assert sorted(row["rank"] for row in made["nights"]) == list(range(1, len(made["nights"]) + 1))
    best = min(made["nights"], key=lambda row: row["rank"])
    assert made["night"]["date"] == best["date"]
    assert all(row["reason"] for row in made["nights"])


def test_nights_with_more_darkness_come_first_up_to_four_hours():
    found = plan(Request(place("47.37", "8.54"), NOW, count=30)).nights
    in_order = [night.moonless_hours for night in sorted(found, key=lambda night: night.rank)]
    # To the half hour, and more than four serve nobody better.
    told = [min(round(2 * hours) / 2, 4.0) for hours in in_order]
    assert told == sorted(told, reverse=True)
    assert told[0] == 4.0 > told[-1]
    enough = [round(2 * hours) / 2 for hours in in_order if round(2 * hours) / 2 >= 4.0]
    assert enough != sorted(enough, reverse=True)  # by how soon after dusk, then by date


def test_the_calendar_entry_is_read_by_calendars(made):
    """RFC 5545: by icalendar, by vobject, and by the lines of section 3.1."""
    data = invitation(made)
    (event,) = icalendar.Calendar.from_ical(data).walk("VEVENT")
    window = made["night"]["window"]
    assert event.decoded("dtstart") == datetime.fromisoformat(window["from"])
    assert event.decoded("dtend") == datetime.fromisoformat(window["until"])
    assert not event.errors
    (alarm,) = event.walk("VALARM")
    assert alarm.decoded("trigger") == -timedelta(hours=3)  # before it begins (RFC 5545, 3.8.6.3)
    # Who is sent a calendar entry is not told where the house is left empty.
    assert "GEO" not in event
    assert "LOCATION" not in event
    elsewhere = copy.deepcopy(made)
    elsewhere["place"].update(latitude=1.0, longitude=2.0)
    assert invitation(elsewhere) == data
    other = vobject.readOne(data.decode())
    other.validate(raiseException=True)
    assert other.vevent.summary.value.startswith("Night sky")
    assert made["weather"] in other.vevent.description.value
    lines = data.split(b"\r\n")
    assert lines[-1] == b""
    assert all(len(line) <= 75 and b"\n" not in line for line in lines)
    assert [lines[0], lines[-2]] == [b"BEGIN:VCALENDAR", b"END:VCALENDAR"]


def test_what_somebody_needs_on_a_first_night():
    said = text(told("one night"))
    flat = " ".join(said.split())
    for words in (
        "Go out on Saturday 7 November 2026: it is dark from 18:45 to 05:34.",
        "fists at arm's length above the horizon: Milky Way in Cygnus.",
        "Take 80 raw frames of 6 s at f/1.8, one after the other: 10 min.",
        "Sun sets 17:00, rises 07:20",
        "the Moon is down while it is dark",
        "[ ] Focus by hand on a bright star",
        "ten frames of 6 s at the same ISO",
    ):
        assert words in flat, words


def test_clocks_that_change_are_told():
    said = told("clocks go back")
    assert "The clocks go back that night" in " ".join(said["remarks"])
    sun = said["night"]["twilights"]["sun"]
    assert (sun["dusk"][-6:], sun["dawn"][-6:]) == ("+02:00", "+01:00")


def test_json_text_calendar_and_page_at_once(tmp_path):
    ics, page = tmp_path / "night.ics", tmp_path / "plan.html"
    common = (*ZURICH, "--date", "2026-11-07")
    printed = json.loads(good("plan", *common, "--json", "--ics", ics, "--page", page))
    VALIDATOR.validate(printed)
    assert b"BEGIN:VEVENT" in ics.read_bytes()
    assert "7 November 2026" in page.read_text(encoding="utf-8")
    assert sorted(path.name for path in tmp_path.iterdir() if path.name != "home") == [
        "night.ics",
        "plan.html",
    ]
    assert "night.ics is there already" in fault(2, "plan", *common, "--ics", ics)
    said = good("plan", *common, "--ics", ics, "--page", page, "--force").splitlines()
    assert said[-2:] == [f"Written to {ics}", f"Written to {page}"]


def test_a_place_is_kept_only_when_asked(home):
    good("plan", *ZURICH, "--date", "2026-11-07")
    assert not home.exists()
    assert "Where will you be" in fault(2, "plan")
    good("plan", *ZURICH, "--height", "410", "--date", "2026-11-07", "--remember")
    (kept,) = (path for path in home.rglob("*") if path.is_file())
    assert kept.stat().st_mode & 0o077 == 0  # nobody else's business
    assert "47.37° N, 8.54° E" in good("plan", "--date", "2026-11-08")
    assert "1.00° N" in good("plan", "--lat", "1", "--lon", "2", "--date", "2026-11-08")
    assert "forgotten" in good("plan", "--forget")
    assert "Where will you be" in fault(2, "plan")
    assert "No place was remembered" in good("plan", "--forget")


def test_like_a_frame(tmp_path):
    frame = one_frame(tmp_path / "frame.dng")
    said = good("plan", *ZURICH, "--date", "2026-11-07", "--like", frame)
    flat = " ".join(said.split())
    assert "reading adds" in flat or "unknown:" in flat
    assert "f/1.8" in flat


BAD = {
    "latitude": (2, "no latitude 91", ("--lat", "91", "--lon", "8")),
    "longitude": (2, "no longitude 181", ("--lat", "47", "--lon", "181")),
    "swapped": (2, "swapped", ("--lat", "139.7", "--lon", "35.7")),
    "half a place": (2, "--lat is missing", ("--lon", "8")),
    "too early": (2, "ephemeris covers", (*ZURICH, "--date", "1850-01-01")),
    "too late": (2, "ephemeris covers", (*ZURICH, "--date", "2150-01-01")),
    "no date": (2, "isn't a valid date", (*ZURICH, "--date", "2026-02-30")),
    "no darkness": (
        1,
        "next dark night is that of 2026-08-22",
        ("--lat", "60", "--lon", "10", "--date", "2026-06-10", "--nights", "20"),
    ),
    "never rises": (1, "never rises: it does south of 20° N", (*ZURICH, "--target", "LMC")),
    "low": (1, "never rises above", (*ZURICH, "--target", "Scorpius")),
    "unknown target": (2, "Did you mean", (*ZURICH, "--target", "the magellanic cloud")),
    "lens": (2, "Also needed: the picture's size", (*ZURICH, "--camera", "50mm")),
    "no camera": (2, "isn't a camera I recognise", (*ZURICH, "--camera", "a good one")),
    "zone": (2, "no time zone 'Moon/Tycho'", (*ZURICH, "--zone", "Moon/Tycho")),
    "nights": (2, "--nights", (*ZURICH, "--nights", "0")),
    "exposure": (2, "--exposure", (*ZURICH, "--exposure", "nan")),
    "no frame": (1, "no folder or file absent.dng", (*ZURICH, "--like", "absent.dng")),
    "no folder": (
        1,
        "folder does not exist",
        (*ZURICH, "--date", "2026-11-07", "--page", "absent/plan.html"),
    ),
    "midnight sun": (
        1,
        "no darkness in the night of 2026-06-21: the next dark night is that of 2026-09-1",
        ("--lat", "69.65", "--lon", "18.96", "--date", "2026-06-21", "--ics", "night.ics"),
    ),
    "white night": (
        1,
        "no darkness in the night of 2026-06-10: the next dark night is that of 2026-08-",
        ("--lat", "60.17", "--lon", "24.94", "--date", "2026-06-10"),
    ),
    "moon": (2, "the Moon and planets are not planned", (*ZURICH, "--target", "moon")),
    "planet": (2, "the Moon and planets are not planned", (*ZURICH, "--target", "Jupiter")),
    "contradiction": (
        2,
        "makes 6 µm between pixels, not 3.9",
        (*ZURICH, "--camera", "50mm f/2 36x24mm 3.9um 6000x4000"),
    ),
}


@pytest.mark.parametrize(("status", "words", "arguments"), BAD.values(), ids=BAD)
def test_bad_input_is_one_clear_line(status, words, arguments, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    said = fault(status, "plan", *arguments)
    assert words in said, said
    assert [path.name for path in tmp_path.iterdir() if path.name != "home"] == []


def test_a_frame_without_exif_asks_for_the_lens(tmp_path, write_dng):
    codes = np.random.default_rng(1).normal(300, 9, (240, 320)).astype(np.uint16)
    frame = write_dng(tmp_path / "bare.dng", codes)
    said = fault(2, "plan", *ZURICH, "--like", frame)
    assert "focal length (24mm, or 26mm-eq)" in said
    assert "f-number" in said
    said = good(
        "plan", *ZURICH, "--date", "2026-11-07", "--like", frame, "--camera", "24mm f/2 4um"
    )
    assert "24 mm" in said


def test_the_list_of_targets():
    said = good("plan", "--targets")
    assert "Orion Nebula (nebula)." in said
    assert max(map(len, said.splitlines())) <= 80


def test_help_begins_with_the_purpose():
    said = good("plan", "--help")
    assert said.lstrip().startswith("Plan the night before leaving the house")
    assert "Example: stackkit plan --lat" in said


def loaded(*arguments):
    """Names of the modules that the command has loaded at its end."""
    code = (
        "import sys\n"
        "from stackkit_cli.main import main\n"
        "try:\n    main(sys.argv[1:])\n"
        "except SystemExit as end:\n    assert end.code == 0\n"
        "print('\\n'.join(sys.modules), file=sys.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=True
    )
    return set(done.stderr.split())


def test_only_what_is_needed_is_loaded():
    assert not loaded("plan", "--help") & {"numpy", "erfa", "numba", "jinja2"}
    planned = loaded("plan", *ZURICH, "--date", "2026-11-07")
    assert {"erfa", "tzfpy"} <= planned
    never = {"astropy", "photutils", "rawpy", "tifffile", "jinja2", "icalendar", "rich", "skyfield"}
    assert not planned & never


def test_it_runs_from_tonight():
    """Without a date the nights begin with the one of the moment."""
    nights = json.loads(good("plan", *ZURICH, "--nights", "3", "--json"))["nights"]
    first = date.fromisoformat(nights[0]["date"])
    assert abs(first - datetime.now(UTC).date()) <= timedelta(days=1)
    assert len(nights) == 3


@pytest.mark.parametrize("count", corners([5, 15], [5]))
def test_anywhere_on_any_night(count):
    """Random places, nights, cameras and targets: a plan, or one clear sentence."""
    rng = np.random.default_rng(3)
    refused = 0
    cameras = [*CLASSES, "8mm f/3.5 fisheye aps-c", "200mm f/4 full-frame", "3000x4000 phone"]
    for _ in range(count):
        latitude, longitude = rng.uniform(-90, 90), rng.uniform(-180, 180)
        asked = Request(
            place(f"{latitude:.4f}", f"{longitude:.4f}"),
            NOW,
            evening=date(1980, 1, 1) + timedelta(days=int(rng.integers(0, 40_000))),
            count=int(rng.integers(1, 5)) if rng.random() < 0.5 else None,
            target=str(rng.choice([t.id for t in targets()])) if rng.random() < 0.4 else None,
            camera=str(rng.choice(cameras)),
            skyline=float(rng.uniform(0, 40)),
        )
        try:
            found = record(plan(asked))
        except InputError:
            refused += 1
            continue
        VALIDATOR.validate(json.loads(json.dumps(found, allow_nan=False)))
        assert max(map(len, text(found).splitlines())) <= 80
        assert "<svg" in page_of_plan(found)
    # Targets that never rise there, and summers without darkness.
    assert refused < 8 * count / 15
