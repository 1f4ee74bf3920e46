"""Sessions as tables of stars: the simulator's places with noise, misses and false detections."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
from benchmarks import truth

from stackkit.align.register import register
from stackkit.simulate import Night
from stackkit.simulate.night import mid_time, times
from stackkit.simulate.sky import catalogue, pixels
from stackkit.stars.detect import Stars

SIZE = (1000, 750)


def night(**changes):
    """A small wide night, sky enough for a hundred stars a frame."""
    usual = {"width": SIZE[0], "height": SIZE[1], "focal": 675.0, "faintest": 7.8, "frames": 12}
    return Night(**{**usual, "k1": -0.06, "k2": 0.02, "altitude": 55.0, "cadence": 40.0, **changes})


def table(xy, flux=None, sigma=0.05):
    """Stars at these places, brightest first."""
    count = len(xy)
    flux = np.linspace(1000, 100, count) if flux is None else flux
    order = np.argsort(-flux, kind="stable")
    xy = xy[order]
    plain = np.zeros(count)
    width, clipped = np.full(count, 2.2), np.zeros(count, bool)
    return Stars(
        xy[:, 0], xy[:, 1], np.full(count, sigma), flux[order], width, plain, clipped, plain
    )


def star_tables(sky, stars=120, false=0.15, noise=0.05, seen=0.9, region=None):
    """One table a frame; ``region`` (x0, y0, x1, y1) keeps only stars in a part of the picture."""
    rng = np.random.default_rng([sky.seed, 77])
    known = catalogue(sky)
    size = np.array([sky.width, sky.height])
    made = []
    for k in range(sky.frames):
        xy = pixels(sky, known.direction, k, mid_time(sky, k))
        with np.errstate(invalid="ignore"):
            inside = ((xy > 3) & (xy < size - 4)).all(axis=1)
        chosen = np.nonzero(inside)[0][:stars]
        chosen = chosen[rng.random(len(chosen)) < seen]
        place = xy[chosen] + rng.normal(0, noise, (len(chosen), 2))
        extra = rng.uniform(3, size - 4, (int(false * len(chosen)), 2))
        flux = known.rate[chosen, 1]
        flux = np.concatenate([flux, rng.choice(flux, len(extra))])
        place = np.concatenate([place, extra])
        if region is not None:
            low, high = np.array(region[:2]), np.array(region[2:])
            kept = ((place > low) & (place < high)).all(axis=1)
            place, flux = place[kept], flux[kept]
        made.append(table(place, flux * rng.uniform(0.9, 1.1, len(flux)), noise))
    return made


def clock(sky, late=0.0):
    """Mid-exposure times as the camera's clock has them."""
    return [time + timedelta(seconds=sky.exposure / 2 + late) for time in times(sky)]


def registered(sky, tables=None, focal=0.0, times=None, **named):
    """``register`` with a focal length that is 2 % off unless another is given."""
    tables = star_tables(sky) if tables is None else tables
    focal = 1.02 * sky.focal if focal == 0.0 else focal
    return register(tables, SIZE, focal, times=times, **named)


def map_errors(found, sky, frames=None):
    """Median true error, px, over the picture: worst frame at the centre, worst in the corners.

    ``frames[j]`` is the night's frame that stands at place j of the session.
    """
    frames = list(range(sky.frames)) if frames is None else frames
    x, y = np.meshgrid(np.linspace(20, SIZE[0] - 20, 16), np.linspace(20, SIZE[1] - 20, 12))
    xy = np.stack([x.ravel(), y.ravel()], axis=1)
    radius = np.hypot(*(xy - (np.array(SIZE) - 1) / 2).T) / np.hypot(*(np.array(SIZE) - 1)) * 2
    worst = np.zeros(2)
    for mapping, k in zip(found.mappings, frames, strict=True):
        assert mapping is not None, k
        there = truth.carry(sky, xy, frames[found.reference], k)
        with np.errstate(invalid="ignore"):
            inside = ((there > 0) & (there < np.array(SIZE) - 1)).all(axis=1)
        away = np.hypot(*(mapping.from_reference(xy) - there).T)
        zones = inside & (radius < 0.35), inside & (radius >= 0.75)
        worst = np.maximum(worst, [np.median(away[z]) if z.any() else 0.0 for z in zones])
    return worst
