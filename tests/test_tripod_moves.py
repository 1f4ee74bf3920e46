"""Pushes of the tripod told from wind, pauses and shaken frames: rotations made by scipy."""

from __future__ import annotations

import numpy as np
import pytest
from grids import corners
from test_sky_rotation import AXIS, FOCAL, found, turned

from stackkit.align.sky_rotation import pushes
from stackkit.align.tripod_moves import at_rest
from stackkit.geometry.lens import SIDEREAL

FRAMES = 24
SECONDS = np.arange(FRAMES) * 10.0
"""In which the sky turns by less than a pixel at ``FOCAL``: a push of 24 px is as long as all that
it turns in the session."""
WIND = 4.0
ACROSS = np.cross(AXIS, [1.0, 0.0, 0.0]) / np.linalg.norm(np.cross(AXIS, [1.0, 0.0, 0.0]))


def told(turns, seconds):
    return pushes(found(turns, seconds), np.arange(len(turns)))


@pytest.mark.parametrize("seconds", [None, SECONDS], ids=["no clock", "clock"])
def test_a_push_of_six_times_the_wind_s_scatter_is_told(seconds):
    """… at its frame, and by as much as it was within the scatter of single frames."""
    right = 0
    for seed in range(10):
        turns = turned(SECONDS, sway=WIND, moved={13: 24 / FOCAL * ACROSS}, seed=seed)
        found_here = told(turns, seconds)
        assert len(found_here) <= 1
        for push in found_here:
            assert push.angle * FOCAL == pytest.approx(24, abs=2 * WIND)
            right += push.after == 13
    assert right >= 8


def test_a_push_aslant_is_told_whole_where_frames_follow_evenly():
    aslant = (ACROSS + AXIS) / np.sqrt(2)
    turns = turned(SECONDS, sway=1.0, moved={10: 40 / FOCAL * aslant})
    (push,) = told(turns, None)
    assert push.angle * FOCAL == pytest.approx(40, abs=2)


@pytest.mark.parametrize("seconds", [None, SECONDS], ids=["no clock", "clock"])
@pytest.mark.parametrize("sway", corners([0.3, 4.0, 8.0], [0.3, 8.0]))
def test_wind_alone_is_no_push(sway, seconds):
    for seed in range(6):
        assert told(turned(SECONDS, sway=sway, seed=seed), seconds) == ()


def test_gusts_that_last_are_no_push():
    """Each frame's sway is three fifths of the last one's and a new part."""
    rng = np.random.default_rng(3)
    for _ in range(6):
        sway = rng.normal(0, 3.0 / FOCAL, (FRAMES, 3))
        for k in range(1, FRAMES):
            sway[k] = 0.6 * sway[k - 1] + 0.8 * sway[k]
        # Each difference in sway is a push that the next one takes back.
        moved = dict(enumerate(np.diff(sway, axis=0), start=1))
        assert told(turned(SECONDS, moved=moved), None) == ()


def test_a_pause_in_wind_is_no_push():
    for seed in range(6):
        wait = 300.0 * (1 + seed)
        seconds = np.where(np.arange(FRAMES) < 9, SECONDS, SECONDS + wait)
        assert told(turned(seconds, sway=WIND, seed=seed), None) == ()


def test_beside_a_pause_a_push_is_told():
    seconds = np.where(np.arange(FRAMES) < 8, SECONDS, SECONDS + 900.0)
    turns = turned(seconds, sway=2.0, moved={16: 24 / FOCAL * ACROSS})
    (push,) = told(turns, None)
    assert push.after == 16
    assert push.angle * FOCAL == pytest.approx(24, abs=4)


def test_a_push_about_the_axis_could_be_a_pause_and_is_told_by_a_clock_only():
    turns = turned(SECONDS, sway=1.0, moved={12: 30 / FOCAL * AXIS})
    assert told(turns, None) == ()
    (push,) = told(turns, SECONDS)
    assert push.angle * FOCAL == pytest.approx(30, abs=3)


def test_files_out_of_order_are_no_push():
    """Numbers of files begin again with 1: the night's second part comes first."""
    assert told(np.roll(turned(SECONDS, sway=1.0), 10, axis=0), None) == ()


@pytest.mark.parametrize("frames", [(0,), (23,), (5, 7), (0, 1), (10, 11)])
def test_shaken_frames_are_no_push(frames):
    kicks = np.random.default_rng(1).normal(0, 40 / FOCAL, (FRAMES, 3))
    sway = np.where(np.isin(np.arange(FRAMES), frames)[:, None], kicks, 0.0)
    moved = {k: sway[k] - (sway[k - 1] if k else 0) for k in range(FRAMES)}
    for seconds in (None, SECONDS):
        assert told(turned(SECONDS, sway=2.0, moved=moved), seconds) == ()


def test_there_and_back_are_two_pushes():
    """Neither would be told without the other: the frames before and after agree."""
    there = 30 / FOCAL * ACROSS
    turns = turned(SECONDS, sway=2.0, moved={9: there, 15: -there})
    assert [push.after for push in told(turns, None)] == [9, 15]


def test_an_upright_camera_in_the_last_frame_alone_is_told():
    """A turn by a right angle is no shaking; one frame at the end is enough to say so."""
    turns = turned(SECONDS, sway=1.0, moved={23: np.radians(90) * ACROSS})
    (push,) = told(turns, None)
    assert push.after == 23
    assert np.degrees(push.angle) == pytest.approx(90, abs=0.5)


def test_a_pause_lengthens_the_clock_by_itself():
    """The frames' numbers become the time in units of the usual interval."""
    seconds = np.where(np.arange(FRAMES) < 9, SECONDS, SECONDS + 900.0)
    turns = turned(seconds, sway=0.3)
    rate = -10 * SIDEREAL * AXIS
    rest = at_rest(turns, np.arange(FRAMES) * 1.0, rate, FOCAL, clockless=True)
    assert rest.begins == (0,)
    assert np.ptp(rest.clock) == pytest.approx(FRAMES - 1 + 90, abs=2)
    assert rest.rate * FOCAL == pytest.approx(rate * FOCAL, abs=0.02)
