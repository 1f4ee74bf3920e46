"""Words for frames that fit nowhere: in a mirror, another part of the sky, or none at all."""

from __future__ import annotations

import numpy as np
import pytest
from star_sessions import SIZE, table

from stackkit.align.pairing import Pairing
from stackkit.align.unmatched import reasons


def field(seed, count=60):
    return np.random.default_rng(seed).uniform(0, SIZE, (count, 2))


def told(places, lost):
    """Reasons where frame 0 is the reference and nothing stays put."""
    tables = [table(xy) for xy in places]
    none = np.zeros((0, 2), np.int64)
    kept = [np.arange(len(t)) for t in tables]
    paired = Pairing(0, kept, [none] * len(tables), [np.nan] * len(tables))
    return reasons(tables, paired, lost, SIZE)


@pytest.mark.parametrize(
    "flip",
    [
        lambda xy: xy * [-1, 1] + [SIZE[0] - 1, 0],
        lambda xy: xy * [1, -1] + [0, SIZE[1] - 1],
        lambda xy: xy[:, ::-1] + [120.0, -40.0],
    ],
    ids=["left and right", "up and down", "along the diagonal"],
)
def test_a_mirrored_frame_is_told(flip):
    sky = field(1)
    rng = np.random.default_rng(2)
    assert "mirror" in told([sky, flip(sky) + rng.normal(0, 0.05, sky.shape)], [1])[1]


def test_a_frame_that_is_only_turned_is_not_called_mirrored():
    sky = field(3)
    turned = (np.array(SIZE) - 1) - sky
    assert told([sky, turned], [1]) == {}


def test_another_part_of_the_sky_says_how_many_with_it():
    ours, theirs = field(4), field(5)
    words = told([ours, theirs, theirs - [-3.0, -1.0], theirs - [2.0, 4.0]], [1, 2, 3])
    assert set(words) == {1, 2, 3}
    assert all("another part of the sky" in w and "2 of the others" in w for w in words.values())


def test_nothing_is_said_of_what_is_not_known():
    sky = field(6)
    assert told([sky, field(7), field(8), sky[:5]], [1, 2, 3]) == {}
    assert told([sky, np.zeros((0, 2))], [1]) == {}
    assert told([sky], []) == {}


def test_a_mirror_and_another_sky_are_told_apart():
    sky, theirs = field(9), field(10)
    words = told([sky, sky * [-1, 1] + [SIZE[0] - 1, 0], theirs, theirs - [5.0, 2.0]], [1, 2, 3])
    assert "mirror" in words[1]
    assert "another part" in words[2]
    assert words[2] == words[3]
