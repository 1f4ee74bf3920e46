"""Sessions told apart by the stars on both sides of a gap, on simulated skies."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from messy import SKY, hot_sites, put, shoot
from star_sessions import table

from stackkit.raw.decode import decode
from stackkit.session.by_sky import DARK, DAY, QuickMeasure, by_sky, quick_measure, same_sky
from stackkit.session.grouping import Role, chosen, listed
from stackkit.simulate.night import begin

PAUSED = replace(SKY, frames=8, pause_frame=4, pause=1200.0)
"""Four frames, twenty minutes in which the battery is changed, four more."""
ELSEWHERE = replace(SKY, seed=77, frames=6)

Told = dict[str, tuple[int | None, str]]


def sorted_out(folder: Path, number: int | None = None) -> tuple[list[int], Told, list[str]]:
    """How many frames each session has; of each file its session's number and its reason; and the
    names of the frames that were decoded.
    """
    judgement: list[str] = []

    def measure(frame) -> QuickMeasure:
        judgement.append(frame.name)
        return quick_measure(decode(frame.path))

    session = chosen(by_sky(listed([folder]), measure), number)
    told = {frame.name: (frame.session, frame.reason) for frame in session.frames}
    return [len(part.lights) for part in session.parts], told, judgement


def counts(folder: Path) -> list[int]:
    return sorted_out(folder)[0]


def test_a_battery_change_makes_no_other_session(tmp_path: Path) -> None:
    shoot(tmp_path, "a", PAUSED, range(8))
    sessions, _, judgement = sorted_out(tmp_path)
    assert sessions == [8]
    assert sorted(judgement) == ["a-000.dng", "a-003.dng", "a-004.dng", "a-007.dng"]


def test_two_pointings_and_back_again(tmp_path: Path) -> None:
    shoot(tmp_path, "a", PAUSED, range(8))
    shoot(tmp_path, "b", ELSEWHERE, range(5), late=400.0)
    sessions, told, judgement = sorted_out(tmp_path)
    assert sessions == [8, 5]
    assert {told[f"b-{k:03d}.dng"] for k in range(5)} == {
        (2, "it shows another part of the sky than the others")
    }
    assert len(judgement) == 6
    _, told, _ = sorted_out(tmp_path, number=2)
    assert told["b-000.dng"] == (2, "")
    assert told["a-000.dng"] == (1, "it shows another part of the sky than the others")


def test_pointings_without_times_are_found_by_halving(tmp_path: Path) -> None:
    shoot(tmp_path, "a", replace(SKY, frames=24), range(24), late=None)
    shoot(tmp_path, "b", ELSEWHERE, range(6), late=None)
    sessions, told, judgement = sorted_out(tmp_path)
    assert sessions == [24, 6]
    assert {told[f"b-{k:03d}.dng"][0] for k in range(6)} == {2}
    assert len(judgement) <= 8


def test_a_frame_without_a_time_spoils_nothing(tmp_path: Path) -> None:
    shoot(tmp_path, "a", SKY, range(3))
    shoot(tmp_path, "a", SKY, [3], late=None)
    shoot(tmp_path, "b", ELSEWHERE, range(3), late=400.0)
    shoot(tmp_path, "c", SKY, range(4, 6), late=86_000.0)
    sessions, told, _ = sorted_out(tmp_path)
    assert sessions == [4, 3, 2]
    assert told["a-003.dng"][0] == 1
    assert told["c-004.dng"] == (3, "taken in another night than the others")


@pytest.mark.parametrize("share", [0.25, 0.05])
def test_exposures_of_one_aim_stay_together(tmp_path: Path, share: float) -> None:
    shoot(tmp_path, "a", PAUSED, range(4))
    shoot(tmp_path, "b", PAUSED, range(4, 8), share=share)
    assert counts(tmp_path) == [8]


def test_hot_sites_are_no_sky(tmp_path: Path) -> None:
    """As many hot sites as stars, at zero shift, though the sky is another one or has turned."""
    hot = hot_sites(SKY, 200, seed=1)
    shoot(tmp_path, "a", PAUSED, range(6), hot=hot)
    shoot(tmp_path, "b", ELSEWHERE, range(3), late=400.0, hot=hot)
    sessions, told, _ = sorted_out(tmp_path)
    assert sessions == [6, 3]
    assert told["a-005.dng"] == (1, "")


def test_a_mount_that_follows_the_sky(tmp_path: Path) -> None:
    hot = hot_sites(SKY, 100, seed=1)
    for k in range(4):
        late = 20.0 * k + 600.0 * (k > 1)
        (path,) = shoot(tmp_path, f"a{k}", SKY, [0], late=late, hot=hot)
        assert path.exists()
    assert counts(tmp_path) == [4]


@pytest.mark.parametrize(
    "clear",
    [
        (1, 1, 0.3, 0.0, 0.0, 0.3, 1, 1),  # clouds on both sides of the gap
        (1, 1, 1, 1, 0.2, 0.0, 0.0, 0.0),  # it never cleared up again
        (0.0, 0.0, 0.0, 0.0, 1, 1, 1, 1),
    ],
)
def test_clouds_at_a_gap_part_nothing(tmp_path: Path, clear: tuple[float, ...]) -> None:
    shoot(tmp_path, "a", replace(PAUSED, clear=clear), range(8))
    assert counts(tmp_path) == [8]


def test_blur_after_a_gap_parts_nothing(tmp_path: Path) -> None:
    shoot(tmp_path, "a", replace(PAUSED, defocus=(0.0,) * 4 + (2.5,) * 4), range(8))
    assert counts(tmp_path) == [8]


@pytest.mark.parametrize("degrees", [3.0, 12.0])
def test_a_bump_makes_no_other_session(tmp_path: Path, degrees: float) -> None:
    shoot(tmp_path, "a", replace(PAUSED, bump_frame=4, bump_degrees=degrees), range(8))
    assert counts(tmp_path) == [8]


def test_a_long_session_is_one(tmp_path: Path) -> None:
    """Four hours: the first and the last frame have little in common, the others lead over."""
    shoot(tmp_path, "a", replace(SKY, frames=16, cadence=900.0), range(16))
    assert counts(tmp_path) == [16]


def test_darks_and_daylight_are_no_sessions(tmp_path: Path) -> None:
    shoot(tmp_path, "a", SKY, range(5))
    rng = np.random.default_rng(4)
    shape = (SKY.height, SKY.width)
    for k in range(5):  # the lens is covered and the camera goes on
        noise = np.rint(SKY.black + rng.normal(0, 2.0, shape))
        put(tmp_path / f"d{k}.dng", SKY, noise.astype(np.uint16), begin(SKY, 5 + k))
    for k in range(2):
        day = np.rint(3000 + rng.normal(0, 20.0, shape)).astype(np.uint16)
        put(tmp_path / f"e{k}.dng", SKY, day, 2000.0 + 20 * k)
    put(tmp_path / "f.dng", SKY, day, 2100.0, exposure=0.002)
    sessions, told, _ = sorted_out(tmp_path)
    assert sessions == [5]
    assert {told[f"d{k}.dng"] for k in range(5)} == {(None, DARK)}
    assert {told[f"e{k}.dng"] for k in range(2)} == {(None, DAY)}
    assert told["f.dng"] == (
        None,
        "exposed for 1/500 s only, which shows no stars: a picture of the day",
    )


def test_only_darks_are_left_to_be_told_later(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    for k in range(3):
        codes = np.rint(SKY.black + rng.normal(0, 2.0, (SKY.height, SKY.width)))
        put(tmp_path / f"{k}.dng", SKY, codes.astype(np.uint16), 20.0 * k)
    assert counts(tmp_path) == [3]


def test_lens_size_and_camera_part_and_are_told(tmp_path: Path) -> None:
    shoot(tmp_path, "a", SKY, range(4))
    shoot(tmp_path, "b", SKY, range(3), late=30.0, focal_mm=2.2)
    shoot(tmp_path, "c", SKY, range(2), late=60.0, model="Pocket Three")
    shoot(tmp_path, "d", replace(SKY, width=256), range(1), late=90.0)
    sessions, told, _ = sorted_out(tmp_path)
    assert sessions == [4, 3, 2, 1]
    assert [told[f"{tag}-000.dng"] for tag in "abcd"] == [
        (1, ""),
        (2, "another lens: 2.2 mm, the others are from 5.69 mm"),
        (
            3,
            "another camera: Lanternfold Pocket Three, the others are from Lanternfold Pocket Two",
        ),
        (4, "another size: 256×240, the others are 320×240"),
    ]


def test_a_frame_that_cannot_be_read_stays_with_the_others(tmp_path: Path) -> None:
    paths = shoot(tmp_path, "a", PAUSED, range(8))
    bad = {paths[0], paths[4]}

    def measure(frame) -> QuickMeasure | None:
        return None if frame.path in bad else quick_measure(decode(frame.path))

    session = chosen(by_sky(listed([tmp_path]), measure))
    assert [frame.role for frame in session.frames] == [Role.LIGHT] * 8


@pytest.mark.parametrize("turned", [0.0, 0.05, 1.6])
def test_the_same_sky_turned_and_shifted(turned: float) -> None:
    rng = np.random.default_rng(8)
    xy, flux = rng.uniform(0, 2000, (200, 2)), rng.uniform(1, 2, 200)
    c, s = np.cos(turned), np.sin(turned)
    moved = (xy - 1000) @ np.array([[c, s], [-s, c]]) + 1040
    assert same_sky(table(xy, flux), table(moved, flux)) is True
    other = table(rng.uniform(0, 2000, (200, 2)), flux)
    assert same_sky(table(xy, flux), other) is False
    few = table(rng.uniform(0, 2000, (12, 2)), flux[:12])
    assert same_sky(table(xy, flux), few) is None


@pytest.mark.parametrize(("shift", "same"), [(0.5, True), (0.7, True), (0.85, False)])
def test_how_much_must_be_common(shift: float, same: bool) -> None:
    rng = np.random.default_rng(9)
    sky = rng.uniform(0, 4000, (2000, 2))
    left = sky[(sky[:, 0] < 2000)]
    right = sky[(sky[:, 0] >= 2000 * shift) & (sky[:, 0] < 2000 * (1 + shift))]
    assert same_sky(table(left), table(right - [2000 * shift, 3.0])) is same
