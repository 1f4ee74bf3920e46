"""How uncertain a mapping is: first-order propagation against draws from the covariance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from star_sessions import SIZE, clock, night, registered, star_tables

from stackkit.align.bundle import PER_FRAME
from stackkit.align.position_error import placing_error
from stackkit.geometry.jacobians import COUNT, moved
from stackkit.geometry.lens import Projection
from stackkit.geometry.mapping import Mapping
from stackkit.geometry.rotation import rotation

PLACES = np.array([[499.5, 374.5], [30.0, 30.0], [970.0, 30.0], [30.0, 500.0], [700.0, 500.0]])
"""Places well above the horizon, where refraction is smooth."""
_SHRUNK = 0.1
"""Draws are small: the first order is tested, not how far it holds."""
FISHEYE = {
    **{"projection": Projection.EQUIDISTANT, "focal": 600.0, "k1": 0.0, "k2": 0.0},
    **{"altitude": 88.0, "faintest": 7.0},
}


@pytest.fixture(scope="module", params=[{}, FISHEYE], ids=["wide", "fisheye"])
def found(request):
    sky = night(seed=121, frames=4, **request.param)
    return registered(sky, star_tables(sky, stars=80), times=clock(sky))


def drawn(found, frame, count=600):
    """Scatter (N,), px, of the places in the frame when lens and turn are drawn anew."""
    geometry = found.geometry
    at = np.r_[0:COUNT, COUNT + PER_FRAME * frame : COUNT + PER_FRAME * (frame + 1)]
    covariance = geometry.covariance[np.ix_(at, at)] * _SHRUNK**2
    steps = np.random.default_rng(1).multivariate_normal(np.zeros(len(at)), covariance, count)
    there = []
    for step in [np.zeros(len(at)), *steps]:
        lens = moved(geometry.lens, step[:COUNT], SIZE)
        lens = replace(lens, r_max=geometry.lens.r_max)
        scaled = replace(lens, f=lens.f * geometry.scales[frame] * np.exp(step[-1]))
        turn = rotation(step[COUNT : COUNT + 3]) @ geometry.rotations[frame]
        there.append(Mapping(lens, scaled, turn).from_reference(PLACES))
    off = np.array(there[1:]) - there[0]
    return np.sqrt(np.sum(np.mean(off**2, axis=0), axis=1)) / _SHRUNK


def test_first_order_propagation_is_the_scatter_of_draws(found):
    frame = 0 if found.reference else 3
    told = placing_error(found.geometry, frame, found.reference, PLACES)
    assert told == pytest.approx(drawn(found, frame), rel=0.1)


def test_the_reference_lies_where_it_is(found):
    told = placing_error(found.geometry, found.reference, found.reference, PLACES)
    assert np.abs(told).max() < 1e-9


def test_corners_are_less_sure_than_the_centre(found):
    for frame in range(4):
        if frame != found.reference:
            told = placing_error(found.geometry, frame, found.reference, PLACES)
            assert told[1:4].max() > told[0] > 0


def test_twice_the_noise_is_twice_the_error():
    sky = night(seed=122, frames=4)
    told = []
    for noise in (0.1, 0.2):
        tables = star_tables(sky, stars=100, false=0.0, noise=noise)
        one = registered(sky, tables, times=clock(sky))
        told.append(placing_error(one.geometry, 0, one.reference, PLACES)[0])
    assert told[1] / told[0] == pytest.approx(2.0, rel=0.25)
