"""Sentences of a plan that its text, calendar entry and page share."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from math import hypot, isnan

from stackkit.plan.camera import Camera
from stackkit.plan.exposure import Limit
from stackkit.plan.planner import Plan
from stackkit.plan.ranking import Ranked
from stackkit.plan.series import Series
from stackkit.plan.sky.events import hours
from stackkit.plan.sky.night import DAY, Night
from stackkit.plan.sky.places import minute
from stackkit.plan.targets import WASHED, month_at_midnight
from stackkit.schemas.plan import Level

_POINTS = (
    "north", "north-north-east", "north-east", "east-north-east",
    "east", "east-south-east", "south-east", "south-south-east",
    "south", "south-south-west", "south-west", "west-south-west",
    "west", "west-north-west", "north-west", "north-north-west",
)  # fmt: skip
_FIST = 10.0
"""Degrees that a fist covers at arm's length (common practice)."""
_STILL = 0.04
"""Share of the picture's width below which a drift does not matter for framing."""
_LEAST_BOTTOM = 8.0
"""Altitude of the picture's lower edge below which the ground is probably in it."""


def compass(azimuth: float) -> str:
    """The nearest of sixteen compass points."""
    return _POINTS[round(azimuth / 22.5) % 16]


def level(altitude: float) -> Level:
    """How high something is, in a word."""
    return "low" if altitude < 35 else "high" if altitude >= 60 else "half up"


def fists(altitude: float) -> str:
    """An altitude in fists at arm's length, which needs no instrument."""
    count = round(2 * altitude / _FIST) / 2
    if altitude >= 75:
        return "almost overhead"
    return f"{count:g} {'fist' if count == 1 else 'fists'} at arm's length above the horizon"


def phase(night: Night) -> str:
    """The Moon's phase by name."""
    if night.lit < 0.02:
        return "new Moon"
    if night.lit > 0.98:
        return "full Moon"
    if 0.45 <= night.lit <= 0.55:
        return "first quarter" if night.waxing else "last quarter"
    shape = "crescent" if night.lit < 0.45 else "gibbous"
    return f"{'waxing' if night.waxing else 'waning'} {shape}"


def summary(made: Plan) -> list[str]:
    """What to do, in a few sentences: when to go, where to point, what to set."""
    place, night = made.request.place, made.chosen.night
    day = f"{night.date:%A} {dated(night.date)}"
    when = _hours(made)
    pick = made.pick
    if pick is None:
        least = f"nothing on the list rises above {made.request.skyline:g}°"
        missing = f"{made.wanted.name} is below the horizon" if made.wanted else least
        return [f"On {day} {when}. But {missing} then."]
    said = [*_choice(made.nights), f"Go out on {day}: {when}."]
    said.append(
        f"At {minute(place, pick.best)} point {compass(pick.azimuth)}, {fists(pick.altitude)}: "
        f"{pick.target.name}."
    )
    row = made.series
    said.append(
        f"Take {row.frames} raw frames of {row.exposure:g} s at f/{made.camera.f_number:g}, one "
        f"after the other: {duration(row.seconds)}."
    )
    if row.seconds < row.asked:
        said.append(
            f"Only {_minutes(row.seconds)} of the {_minutes(row.asked)} minutes that you asked for "
            f"fit before {minute(place, pick.usable[1])}."
        )
    return said


def _choice(nights: Sequence[Ranked]) -> list[str]:
    """The soonest good night and the darkest, where there are several."""
    if len(nights) < 2:
        return []
    darkest = max(nights, key=lambda row: (bool(row.night.dark), row.moonless_hours))
    soonest = next((row for row in nights if row.verdict == "good"), None)
    if not darkest.night.dark:
        return ["None of these nights has a dark window."]
    first = "No night has two dark hours."
    if soonest:
        first = f"Soonest good night: {_short(soonest.night.date)}."
    whole = hours(darkest.night.dark) > hours(darkest.night.under["astronomical"]) - 0.1
    length = "all night" if whole else f"for {hours(darkest.night.dark):.1f} h"
    return [f"{first} Darkest: {_short(darkest.night.date)}, dark {length}."]


def _short(day: date) -> str:
    return f"{day:%A} {day.day} {day:%B}"


def ranking() -> str:
    """How the nights are ranked."""
    return (
        "Rank: first what has four hours' worth of dark sky (an hour under the Moon counts in "
        "part); of those what is dark soonest after dusk; of those the nearest night."
    )


def _minutes(seconds: float) -> str:
    return f"{seconds / 60:.{0 if seconds >= 600 else 1}f}"


def dated(day: date) -> str:
    """A date in words."""
    return f"{day.day} {day:%B %Y}"


_KINDS = {
    "dark": "it is dark",
    "astronomical": "the Moon is up, but the Sun is far below the horizon",
    "nautical": "it never gets fully dark, and the sky is darkest",
}


def _hours(made: Plan) -> str:
    """The usable hours, and how dark they are."""
    place, window = made.request.place, made.window
    if window == made.chosen.night.whole:
        return f"{_KINDS[made.kind]} round the clock"
    start, end = (minute(place, moment) for moment in window)
    return f"{_KINDS[made.kind]} from {start} to {end}"


def depth(night: Night) -> str:
    """How far the Sun sinks."""
    if night.lowest >= 0:
        return f"at its lowest the Sun is still {night.lowest:.0f}° above the horizon"
    return f"the Sun goes only {-night.lowest:.0f}° below the horizon, not 18°"


def remarks(made: Plan) -> list[str]:
    """Other remarks: no full darkness, clocks that change, a target that is low."""
    place, night = made.request.place, made.chosen.night
    said: list[str] = []
    if night.whole[1] < made.request.moment:
        said.append("That date is in the past.")
    if not night.under["astronomical"]:
        said.append(f"It does not get fully dark that night: {depth(night)}.")
        if made.next_dark:
            said.append(f"The next dark night is that of {dated(made.next_dark)}.")
    if any(row.washed for row in made.standings):
        lamps = made.request.sky < WASHED
        said.append(
            f"{'Lamps make' if lamps else 'The Moon makes'} the sky too bright for the Milky Way, "
            "galaxies and faint nebulae: bright clusters and constellations show better."
        )
    before, after = (place.clock(moment).replace(tzinfo=None) for moment in night.whole)
    gained = (after - before).total_seconds() - DAY
    if abs(gained) > 60:
        ahead = "forward" if gained > 0 else "back"
        said.append(f"The clocks go {ahead} that night; times after that are by the new time.")
    wanted, pick = made.wanted, made.pick
    if wanted and (pick is None or pick.altitude < made.request.skyline):
        month = month_at_midnight(place, wanted, night.date.year)
        if pick:
            said.append(f"{wanted.name} reaches only {pick.altitude:.0f}° high then.")
        said.append(f"At midnight {wanted.name} is highest in {month}.")
    elif wanted and pick and made.chosen.verdict == "poor" and len(made.nights) > 1:
        said.append(f"None of these nights is good for {wanted.name}; ask for more --nights.")
    return said


def duration(seconds: float) -> str:
    """Minutes, or seconds below two minutes, or hours."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"


def _way(x: float, y: float) -> str:
    """A direction in the picture; the smaller component is left out where it is much smaller."""
    across = ("to the right" if x > 0 else "to the left") if abs(x) > 0.3 * abs(y) else ""
    along = ("downwards" if y > 0 else "upwards") if abs(y) > 0.3 * abs(x) else ""
    return " and ".join(filter(None, (across, along)))


def sees(across: tuple[float, float]) -> str:
    """The field of view in words (degrees, NaN beyond the lens's circle)."""
    if any(map(isnan, across)):
        return "a circle of some 180° that does not reach the picture's sides"
    return " × ".join(f"{side:.0f}°" for side in across)


def why_shorter(bound: Limit) -> str:
    """Why the best-known rule allows longer than the lens does; empty if it does not."""
    known = bound.rules[0]
    if known.seconds < 1.2 * bound.seconds:
        return ""
    return (
        f"The {known.name} ignores the size of your pixels: its {known.seconds:.0f} s would trail "
        f"{known.fastest_px:.0f} px here."
    )


def drift(row: Series, camera: Camera) -> str:
    """How far and which way the stars move through the picture during the series."""
    length = hypot(*row.drift)
    share = length / camera.size[0]
    if share < _STILL / 4:
        return "The stars hardly move through the picture meanwhile."
    return (
        f"Meanwhile the stars move {length:.0f} px {_way(*row.drift)} ({100 * share:.0f} % of the "
        "picture's width)."
    )


def framing(row: Series, camera: Camera) -> str:
    """How to frame so that the target is in the middle of the area common to all frames."""
    share = hypot(*row.drift) / camera.size[0]
    common = f"All frames share {100 * row.shared:.0f} % of the picture"
    if share < _STILL:
        return f"{common}: frame as you like."
    x, y = -row.drift[0] / 2, -row.drift[1] / 2
    return (
        f"{common}: start with your target {hypot(x, y):.0f} px {_beside(x, y)} of where you "
        "want it."
    )


def _beside(x: float, y: float) -> str:
    across = ("right" if x > 0 else "left") if abs(x) > 0.3 * abs(y) else ""
    along = ("below" if y > 0 else "above") if abs(y) > 0.3 * abs(x) else ""
    return " and ".join(filter(None, (across, along)))


def ground(made: Plan) -> str:
    """When to stop because of the skyline, and what to do about ground in the picture."""
    row, pick = made.series, made.pick
    said = []
    if row.bottom < _LEAST_BOTTOM:
        said.append(
            f"The picture's lower edge looks at {row.bottom:.0f}° altitude: ground in it smears "
            f"by {hypot(*row.drift):.0f} px in the stack. Take three frames of it for itself, last."
        )
    if pick and pick.usable[1] < made.chosen.night.whole[1]:
        sinking = pick.usable[1] < made.window[1] - 60
        clock = minute(made.request.place, pick.usable[1])
        if sinking:
            said.append(
                f"Stop at {clock}: then it drops below {made.request.skyline:g}°, behind your"
                " skyline."
            )
        else:
            said.append(f"Stop at {clock}, when the window ends.")
    return " ".join(said)
