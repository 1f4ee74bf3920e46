"""``stackkit simulate``: a night that never was, to rehearse with in daylight."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from .terminal import progress_bar

_SCENES = {
    "wide": "a phone's main lens at 45° altitude under a dark sky",
    "horizon": "low over a dark skyline with lamps",
    "town": "bright sky, few stars, a strong gradient",
    "rough": "wind, a nudge in the middle, two cloudy frames",
}


@click.command(name="simulate", epilog="Example: stackkit simulate rehearsal --frames 12 --seed 3")
@click.argument("out", metavar="OUT", type=click.Path(path_type=Path))
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=1,
    show_default=True,
    help="The same seed and options give the same files, byte for byte.",
)
@click.option("--frames", type=click.IntRange(1, 2000), default=24, show_default=True)
@click.option("--width", type=click.IntRange(64, 12000), default=2000, show_default=True, help="px")
@click.option(
    "--height", type=click.IntRange(64, 12000), default=1500, show_default=True, help="px"
)
@click.option(
    "--exposure",
    type=click.FloatRange(0.1, 60),
    default=8.0,
    show_default=True,
    help="Seconds of each frame.",
)
@click.option(
    "--cadence",
    type=click.FloatRange(0.1, 600),
    default=20.0,
    show_default=True,
    help="Seconds from one frame's start to the next.",
)
@click.option(
    "--scene",
    type=click.Choice(list(_SCENES)),
    default="wide",
    show_default=True,
    help="; ".join(f"{name}: {text}" for name, text in _SCENES.items()) + ".",
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
    force: bool,
) -> None:
    """Write a simulated night: DNG frames and truth.json, which knows the answer.

    The camera, the place and the sky are invented; the physics is not: stars that turn at the
    sidereal rate through a distorting lens, refraction, noise, hot pixels, satellites, aircraft.
    Use it to rehearse before going out.
    """
    from stackkit.errors import UsageError
    from stackkit.finish import check_output
    from stackkit.simulate import write_night
    from stackkit.simulate.scenes import scene_night

    if cadence < exposure:
        raise UsageError(
            f"A frame of {exposure:g} s cannot begin every {cadence:g} s: raise --cadence."
        )
    check_output(out, force)
    if not force and any(out.glob("*.dng")):
        raise UsageError(
            f"{out} already has DNG files. Choose another folder, or give --force to write there."
        )
    night = replace(
        scene_night(scene, frames, width),
        seed=seed,
        width=width,
        height=height // 2 * 2,
        exposure=exposure,
        cadence=cadence,
    )
    with progress_bar() as tell:
        paths = write_night(night, out, lambda done, of: tell("Simulating", done, of))
    click.echo(f"{len(paths)} frames and truth.json written to {out}.")
    click.echo(f"Try: stackkit stack {out} --out result")
