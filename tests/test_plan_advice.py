"""What a plan advises: when to start, which night, what under which sky, and why."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from functools import lru_cache

import pytest
from command_line import fault, good
from stackkit_cli.plan_text import text
from test_cli_plan import NOW

from stackkit.plan.planner import Request, plan
from stackkit.plan.record import record
from stackkit.plan.sky.places import place
from stackkit.report.plan_page import page_of_plan


@lru_cache
def one_night():
    """The plan of 7 November 2026 in Zurich."""
    return record(plan(Request(place("47.37", "8.54"), NOW, evening=date(2026, 11, 7))))


FITTING = [
    ({"evening": date(2026, 11, 28), "minutes": 600.0}, True),
    ({"evening": date(2026, 11, 28), "minutes": 60.0, "target": "pleiades"}, False),
    ({"evening": date(2026, 11, 28), "minutes": 120.0, "target": "pleiades"}, True),
    pytest.param({"evening": date(2026, 11, 7), "minutes": 60.0}, False, marks=pytest.mark.slow),
    ({"evening": date(2026, 11, 7), "minutes": 8.0, "exposure": 3600.0}, False),
]


@pytest.mark.parametrize(("asked", "cut"), FITTING)
def test_the_frames_end_before_the_hours_do(asked, cut):
    told = record(plan(Request(place("47.37", "8.54"), NOW, **asked)))
    series, pick = told["series"], told["pick"]
    ends = datetime.fromisoformat(pick["best"]) + timedelta(seconds=series["length_s"] - 1)
    for hours in (pick["usable"], told["night"]["window"]):
        assert ends <= datetime.fromisoformat(hours["until"])
    assert (series["length_s"] < series["asked_s"]) == cut
    assert ("minutes that you asked for fit before" in " ".join(told["summary"])) == cut


def named(row):
    day = date.fromisoformat(row["date"])
    return f"{day:%A} {day.day} {day:%B}"


def test_the_first_lines_name_the_soonest_and_the_darkest_night():
    told = record(plan(Request(place("47.37", "8.54"), NOW)))
    good_ones = [row for row in told["nights"] if row["verdict"] == "good"]
    most = max(row["dark_h"] for row in told["nights"])
    soonest, rest = told["summary"][0].split(" Darkest: ")
    assert f"{named(good_ones[0])}." in soonest
    name = rest.split(",")[0]
    (darkest,) = [row for row in told["nights"] if named(row) == name]
    assert darkest["dark_h"] > most - 0.2
    assert rest.endswith("dark all night.") == (
        darkest["dark_h"] == pytest.approx(darkest["astronomical_h"], abs=0.1)
    )
    assert "Rank: first what has" in " ".join(text(told).split())


def test_a_night_that_is_past_is_told_as_past():
    asked = {"evening": date(2026, 9, 7)}
    told = record(plan(Request(place("47.37", "8.54"), NOW, **asked)))
    assert told["remarks"].count("That date is in the past.") == 1
    assert "That date is in the past." not in one_night()["remarks"]


def test_the_known_rule_is_told_why_it_allows_more():
    told = one_night()
    known = told["exposure"]["rules"][0]
    words = f"its {known['seconds']:.0f} s would trail {known['fastest_px']:.0f} px here"
    assert words in " ".join(text(told).split())
    assert words in page_of_plan(told)


def test_brighter_nights_are_offered_only_where_they_are_planned():
    far, farther = (
        fault(1, "plan", "--lat", lat, "--lon", "10", "--date", "2026-06-15", "--nights", "9")
        for lat in ("54", "60")
    )
    assert "For a brighter night anyway: --date" in far
    assert "--date" not in farther
    assert "darkest" in good("plan", "--lat", "54", "--lon", "10", "--date", "2026-06-15")


@pytest.mark.parametrize(
    ("where", "evening", "part"),
    [
        (("57", "-4"), date(2026, 9, 12), "milky-way-cygnus"),
        (("-33.9", "18.4"), date(2026, 1, 17), "milky-way-crux"),
        (("-33.9", "18.4"), date(2026, 7, 12), "milky-way-centre"),
    ],
)
def test_of_the_milky_way_the_part_that_stands_well_is_taken(where, evening, part):
    """Common practice: Cygnus for northern summers, the centre for southern winters, Crux
    for southern summers and autumns.
    """
    told = record(plan(Request(place(*where), NOW, evening=evening, target="milky way")))
    assert told["wanted"] == told["pick"]["id"] == part
    assert told["pick"]["altitude_deg"] > 30


@pytest.mark.parametrize(
    ("asked", "bright"),
    [
        ({"sky": 18.0, "evening": date(2026, 9, 12)}, True),
        # A full Moon (26 October 2026) is in the sky from dusk to dawn.
        ({"evening": date(2026, 10, 26)}, True),
        ({"evening": date(2026, 9, 12)}, False),
    ],
)
def test_what_a_bright_sky_drowns_comes_last(asked, bright):
    told = record(plan(Request(place("47.37", "8.54"), NOW, **asked)))
    kinds = [row["kind"] for row in told["targets"]]
    faint = [k for k, kind in enumerate(kinds) if kind in ("Milky Way", "galaxy")]
    stars = [k for k, kind in enumerate(kinds) if kind not in ("Milky Way", "galaxy", "nebula")]
    assert faint
    assert (min(faint) > max(stars)) == bright
    assert ("too bright for the Milky Way" in " ".join(told["remarks"])) == bright
