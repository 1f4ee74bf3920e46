"""``stackkit simulate``: a simulated night, to practise with in daylight."""

from __future__ import annotations

import shlex
from dataclasses import replace
from pathlib import Path

import click

from .terminal import Explained, Place, Seconds, Whole, progress_bar

_SCENES = {
    "wide": "a phone's main lens at 45° altitude under a dark sky",
    "horizon": "low over a dark skyline with lamps",
    "town": "bright sky, few stars, a strong gradient",
    "rough": "wind, a nudge in the middle, two cloudy frames",
}


@click.command(
    name="simulate",
    cls=Explained,
    epilog="Example: stackkit simulate rehearsal --frames 12 --seed 3",
)
@click.argument("out", metavar="OUT", type=Place())
@click.option(
    "--seed",
    metavar="N",
    type=Whole(min=0),
    default=1,
    show_default=True,
    help="The same seed and options give the same files, byte for byte; another seed is another "
    "night and another camera body.",
)
@click.option(
    "--frames",
    metavar="N",
    type=Whole(1, 2000),
    default=24,
    show_default=True,
    help="How many exposures.",
)
@click.option(
    "--width",
    metavar="PX",
    type=Whole(64, 12000),
    default=2000,
    show_default=True,
    help="Width of the picture.",
)
@click.option(
    "--height",
    metavar="PX",
    type=Whole(64, 12000),
    default=1500,
    show_default=True,
    help="Height of the picture; an odd one becomes even.",
)
@click.option(
    "--exposure",
    metavar="S",
    type=Seconds(0.1, 60),
    default=8.0,
    show_default=True,
    help="Seconds of each frame.",
)
@click.option(
    "--cadence",
    metavar="S",
    type=Seconds(0.1, 600),
    default=20.0,
    show_default=True,
    help="Seconds from one frame's start to the next.",
)
@click.option(
    "--scene",
    metavar="NAME",
    type=click.Choice(list(_SCENES)),
    default="wide",
    show_default=True,
    help="; ".join(f"{name}: {text}" for name, text in _SCENES.items()) + ".",
)
@click.option(
    "--darks",
    metavar="N",
    type=Whole(0, 200),
    default=0,
    help="Darks taken at a slightly higher temperature, in OUT/darks.",
)
@click.option("--flats", metavar="N", type=Whole(0, 200), default=0, help="Flats, in OUT/flats.")
@click.option(
    "--mishaps",
    metavar="N",
    type=Whole(0, 20),
    default=0,
    help="Random mishaps, up to N of them: clouds, haze, dew, a torch, a knock, a covered lens.",
)
@click.option("--force", is_flag=True, help="Replace frames that are already in OUT.")
def command(
    out: Path,
    seed: int,
    frames: int,
    width: int,
    height: int,
    exposure: float,
    cadence: float,
    scene: str,
    darks: int,
    flats: int,
    mishaps: int,
    force: bool,
) -> None:
    """Write a simulated night: DNG frames and truth.json, which knows the answer.

    The camera, the place and the sky are invented; the physics is not: stars that turn at the
    sidereal rate through a distorting lens, refraction, noise, hot pixels, satellites, aircraft.
    Use it to practise before going out.
    """
    from stackkit.errors import UsageError
    from stackkit.run.files import check_output
    from stackkit.simulate import Calibration, random_mishaps, write_calibration, write_night
    from stackkit.simulate.scenes import scene_night

    if cadence < exposure:
        raise UsageError(
            f"A frame of {exposure:g} s cannot begin every {cadence:g} s: raise --cadence."
        )
    _check_frames(out, frames, force)
    check_output(out, force)
    night = replace(
        scene_night(scene, frames, width),
        seed=seed,
        width=width,
        height=height // 2 * 2,
        exposure=exposure,
        cadence=cadence,
    )
    night = replace(night, mishaps=random_mishaps(seed, frames, mishaps))
    extra = ((Calibration.DARK, darks, "darks"), (Calibration.FLAT, flats, "flats"))
    with progress_bar() as progress:
        paths = write_night(night, out, lambda done, of: progress("Simulating", done, of))
        for kind, count, name in extra:
            if count:
                (out / name).mkdir(exist_ok=True)
                write_calibration(replace(night, warmth=1.3), out / name, kind, count)
    beside = "".join(f", {count} {name}" for _, count, name in extra if count)
    click.echo(f"{len(paths)} frames{beside} and truth.json written to {out}.")
    click.echo(f"Try: stackkit stack {shlex.quote(str(out))} --out result")


def _check_frames(out: Path, frames: int, force: bool) -> None:
    """Refuse to mix the night with other frames: they would be stacked together later."""
    from stackkit.errors import UsageError
    from stackkit.simulate.folder import frame_name

    new = {frame_name(k) for k in range(frames)}
    old = [path.name for path in out.glob("*") if path.suffix.lower() == ".dng"]
    others = sorted(set(old) - new)
    if others:
        raise UsageError(
            f"{out} has DNG files that this night would not replace ({others[0]}"
            f"{f' and {len(others) - 1} more' if len(others) > 1 else ''}). Choose another folder."
        )
    if old and not force:
        raise UsageError(
            f"{out} already has these frames. Choose another folder, or give --force to replace "
            "them."
        )
