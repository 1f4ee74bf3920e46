"""Choice of the lens model: the projection, and a focal length where none is known.

Every candidate is tried on a few frames and stars; the best fit wins.  In a narrow field all
projections differ only by terms that the radial polynomial absorbs, and the rectilinear one is
kept.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stackkit.align.bundle import Geometry, Observations, Start, gain_by, solve
from stackkit.align.sky_rotation import SkyRotation
from stackkit.align.tracks import only, spread
from stackkit.arrays import Array
from stackkit.geometry.lens import Lens, Projection, reaching, unproject
from stackkit.geometry.rotation import best_rotation, rotation

_ROUGHLY = 1e-4
"""Relative decrease of the cost at which a candidate is judged."""
_FRAMES = 10
_STARS = 150
_FOCALS = (0.3, 0.5, 0.8, 1.4, 2.5, 5.0)
"""Focal lengths over the picture's width that are tried where none is known."""
_POOR = 3.0
"""Ratio of the scatter to the expected one above which a known focal length is doubted."""
_VAGUE = 0.1
"""Relative uncertainty above which a focal length counts as unknown."""
_FREE = 1.5
_BETTER = 0.03
"""Share by which the cost must fall, and …"""
_CLEARLY = 20.0
"""… by which amount at least, for another projection to be taken."""


def first_turns(seen: Observations, lens: Lens, frames: int, reference: int) -> Array:
    """Rotations (F, 3, 3) by Kabsch from the stars shared with the reference."""
    rays = unproject(lens, seen.xy)
    own = seen.frame == reference
    directions = np.full((int(seen.star.max()) + 1, 3), np.nan)
    directions[seen.star[own]] = rays[own]
    turns = np.tile(np.eye(3), (frames, 1, 1))
    known = np.isfinite(rays).all(axis=1)
    for k in np.unique(seen.frame):
        here = (seen.frame == k) & known & np.isfinite(directions[seen.star, 0])
        if here.sum() >= 3 and k != reference:
            turns[k] = best_rotation(directions[seen.star[here]], rays[here])
    return turns


def begun(seen: Observations, start: Start) -> Start:
    """The start with the projection that fits the observations best, and rotations to match.

    ``start.lens`` is the lens expected; every star must be in the reference frame.
    """
    few = _few(seen, start)
    frames = len(start.turns)
    tried = [_tried(few, start, start.lens, frames)]
    lost = start.focal_prior > _VAGUE or tried[0].unit > _POOR
    if lost:
        free = replace(start, focal_prior=max(start.focal_prior, _FREE))
        lenses = [replace(start.lens, f=share * start.size[0]) for share in _FOCALS]
        tried += [_tried(few, free, lens, frames) for lens in lenses]
    best = min(tried, key=lambda t: t.cost)
    if lost or _needs_more(few, start, best):
        others = [replace(best.lens, projection=p) for p in Projection][1:]
        tried += [_tried(few, start, lens, frames) for lens in others]
        best = _best(tried)
    turns = first_turns(seen, best.lens, frames, start.reference)
    own = replace(start.lens, projection=best.lens.projection)
    return replace(start, lens=own, begin=best.lens, turns=turns)


def upright(
    seen: Observations,
    start: Start,
    found: Geometry,
    sky_rotation: SkyRotation | None,
) -> Start:
    """The start with that side of the picture up which fits best; ``found`` is a first solution.

    Files do not always record how the camera was held, the cost varies slowly with the zenith, and
    after a push the zenith is another one, which ``sky_rotation`` accounts for.
    """
    few = _few(seen, start)
    going_on = replace(start, turns=found.rotations, scales=found.scales)
    tried = []
    for quarter in range(4):
        x, y, z = rotation([0.0, 0.0, quarter * np.pi / 2]) @ np.array(start.lens.zenith)
        up, air = (float(x), float(y), float(z)), start.lens.air
        expected, begin = (replace(lens, zenith=up, air=air) for lens in (start.lens, found.lens))
        own = replace(going_on, lens=expected, begin=begin)
        tried.append((solve(few, own, sky_rotation, _ROUGHLY), own))
    as_given = tried[0]
    best = min(tried, key=lambda t: t[0].cost)
    solved, own = best if as_given[0].cost - best[0].cost > _CLEARLY else as_given
    return replace(own, begin=solved.lens)


def _needs_more(few: Observations, start: Start, found: Geometry) -> bool:
    """Whether a rectilinear lens with two radial terms leaves something to explain."""
    going_on = replace(start, begin=found.lens, turns=found.rotations, scales=found.scales)
    gain, _ = gain_by(few, replace(going_on, freedom=replace(start.freedom, k3=True)))
    return gain > _CLEARLY


def _few(seen: Observations, start: Start) -> Observations:
    """A few frames, evenly over the session, and stars, evenly over the picture."""
    frames = np.unique(seen.frame)
    chosen = frames[np.linspace(0, len(frames) - 1, min(len(frames), _FRAMES)).round().astype(int)]
    chosen = np.union1d(chosen, [start.reference])
    return spread(only(seen, np.isin(seen.frame, chosen)), _STARS, start.size)


def _tried(few: Observations, start: Start, lens: Lens, frames: int) -> Geometry:
    lens = reaching(lens, *start.size)
    turns = first_turns(few, lens, frames, start.reference)
    own = replace(start.lens, projection=lens.projection)
    begin = replace(start, lens=own, begin=lens, turns=turns)
    return solve(few, begin, settled=_ROUGHLY)


def _best(tried: list[Geometry]) -> Geometry:
    """The cheapest; a rectilinear one where no other is clearly cheaper."""
    plain = [t for t in tried if t.lens.projection == Projection.RECTILINEAR]
    usual, best = min(plain, key=lambda t: t.cost), min(tried, key=lambda t: t.cost)
    clearly = usual.cost - best.cost > max(_CLEARLY, _BETTER * usual.cost)
    return best if clearly else usual
