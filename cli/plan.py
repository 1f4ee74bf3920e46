"""``stackkit plan``: the night before leaving the house."""

from __future__ import annotations

import json
import shutil
from datetime import date, datetime
from pathlib import Path
from typing import Any

import click

from .terminal import Explained, Figure, Place, Whole


class _Evening(click.ParamType):  # type: ignore[type-arg]  # older releases have no argument
    """A date, as the evening of a night."""

    name = "date"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        """The date of YYYY-MM-DD."""
        if isinstance(value, date):
            return value
        try:
            return datetime.strptime(str(value), "%Y-%m-%d").date()
        except ValueError:
            self.fail(f"{value!r} isn't a valid date; write it like 2026-11-28.", param, ctx)


@click.command(
    name="plan",
    cls=Explained,
    epilog='Example: stackkit plan --lat 47.37 --lon 8.54 --camera "26mm-eq f/1.8 1.4um 4000x3000"',
)
@click.option("--lat", metavar="DEG", help="Latitude: 47.37, 47°22'12\"N, -33.9 or S 33 54.")
@click.option("--lon", metavar="DEG", help="Longitude, east positive; same formats as --lat.")
@click.option(
    "--height", metavar="M", type=Figure(-500, 9000), help="Metres above sea level [default: 0]."
)
@click.option("--zone", metavar="NAME", help="Time zone [default: that of the place].")
@click.option(
    "--date",
    "evening",
    metavar="DATE",
    type=_Evening(),
    help="The night to plan, by the date of its evening.",
)
@click.option(
    "--nights",
    "count",
    metavar="N",
    type=Whole(1, 366),
    help=(
        "Rank this many nights, starting tonight or on --date, and plan the best one [default: 30]."
    ),
)
@click.option("--target", metavar="NAME", help="What to point at; misspellings are fine.")
@click.option("--targets", is_flag=True, help="List all targets, and nothing else.")
@click.option(
    "--camera",
    metavar="WORDS",
    help=(
        "phone, phone-ultrawide, compact, aps-c or full-frame, or figures in any order: 24mm or "
        "26mm-eq, f/2.8, 36x24mm of sensor or 3.9um between pixels, 6000x4000 pixels, fisheye."
    ),
)
@click.option(
    "--like",
    metavar="FRAME",
    type=Place(),
    help=(
        "Take lens and sensor from this raw frame, and a suitable ISO if it shows the night sky;"
        " --camera fills in what is missing."
    ),
)
@click.option(
    "--exposure",
    metavar="S",
    type=Figure(0.001, 3600),
    help="Seconds of each frame [default: as long as stars stay round].",
)
@click.option(
    "--total",
    metavar="MIN",
    type=Figure(0.1, 600),
    default=8.0,
    show_default=True,
    help="Minutes of exposure in all.",
)
@click.option(
    "--trail",
    metavar="PX",
    type=Figure(0.2, 100),
    default=2.0,
    show_default=True,
    help="Pixels of trail that are allowed.",
)
@click.option(
    "--skyline",
    metavar="DEG",
    type=Figure(0, 80),
    default=20.0,
    show_default=True,
    help="Altitude below which houses, trees or haze block the view.",
)
@click.option(
    "--sky",
    metavar="MAG",
    type=Figure(15, 22.5),
    default=21.5,
    show_default=True,
    help="Brightness of your sky without Moon, mag/arcsec²: 18 in town, 21.5 far from town.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document instead of words.")
@click.option("--ics", metavar="FILE", type=Place(), help="Also write a calendar entry.")
@click.option("--page", metavar="FILE", type=Place(), help="Also write a page to print or keep.")
@click.option("--force", is_flag=True, help="Replace FILEs that are there.")
@click.option(
    "--remember", is_flag=True, help="Remember this location in a file in your home folder."
)
@click.option("--forget", is_flag=True, help="Remove that file, and do nothing else.")
def command(targets: bool, forget: bool, **options: Any) -> None:
    """Plan the night before leaving the house: when, where to point, what to set, what to take.

    Works offline. Ranks the coming nights by Sun and Moon, finds targets that suit your lens,
    computes how long you can expose before stars trail, and ends with a checklist. It does not know
    the weather. Your location stays private: it is stored only in what you ask for, the file of
    --remember, a --page and a --json document.
    """
    if forget:
        from stackkit.plan import memory

        gone = memory.forget(_memory())
        click.echo("The place is forgotten." if gone else "No place was remembered.")
    elif targets:
        from stackkit.plan.targets import targets as every

        from .plan_text import target_list

        rows = [(target.name, target.kind, target.why) for target in every()]
        click.echo(target_list(rows, shutil.get_terminal_size().columns))
    else:
        _plan(**options)


def _memory() -> Path:
    return Path(click.get_app_dir("stackkit")) / "place.json"


def _plan(
    lat: str | None,
    lon: str | None,
    height: float | None,
    zone: str | None,
    total: float,
    as_json: bool,
    ics: Path | None,
    page: Path | None,
    force: bool,
    remember: bool,
    **options: Any,
) -> None:
    import time

    from stackkit.plan import memory
    from stackkit.plan.planner import Request, plan
    from stackkit.plan.record import record

    for path in filter(None, (ics, page)):
        _check_free(path, force)
    given = memory.recalled(_memory(), lat, lon, height, zone)
    made = record(plan(Request(given.place(), time.time(), minutes=total, **options)))
    if remember:
        memory.remember(_memory(), given)
    if ics:
        from stackkit.plan.invitation import write_invitation

        write_invitation(made, ics)
    if page:
        from stackkit.report.plan_page import write_page

        write_page(made, page)
    if as_json:
        click.echo(json.dumps(made, ensure_ascii=False, allow_nan=False, indent=1))
    else:
        from .plan_text import text

        click.echo(text(made, shutil.get_terminal_size().columns))
        for path in filter(None, (ics, page)):
            click.echo(f"Written to {path}")


def _check_free(path: Path, force: bool) -> None:
    from stackkit.errors import UsageError

    if path.exists() and not force:
        raise UsageError(f"{path} is there already. Choose another name, or give --force.")
