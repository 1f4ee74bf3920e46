"""Sessions and disks that are not as they should be, through the whole line."""

import json
import shutil
from datetime import timedelta
from pathlib import Path

import pytest
from command_line import TINY, simulated

import stackkit
from stackkit.errors import OutputError
from stackkit.integration.rejection.outliers import judge


def used(folder):
    return [r["used"] for r in stackkit.stack([folder]).record["frames"] if r["role"] == "light"]


@pytest.mark.slow
def test_a_burst_in_which_the_sky_hardly_moves(tmp_path):
    folder = simulated(
        tmp_path / "n", frames=8, exposure=1.0, cadence=1.0, zero_rate=2.4e5, sky_rate=48.0
    )
    assert used(folder) == [True] * 8


def test_the_camera_looks_at_the_pole(tmp_path):
    folder = simulated(tmp_path / "n", frames=5, cadence=20.0, azimuth=0.0, altitude=47.0)
    assert used(folder) == [True] * 5


def test_a_crowded_little_picture(tmp_path):
    folder = simulated(tmp_path / "n", frames=3, width=96, height=64, focal=80.0, cadence=20.0)
    assert used(folder) == [True] * 3


def test_a_frame_of_another_sky_does_not_become_the_reference(small_night, tmp_path):
    for k in (1, 2, 3, 4):
        shutil.copy(small_night / f"night_{k:04d}.dng", tmp_path / f"ours_{k}.dng")
    # Richer in stars, and taken in the middle of ours.
    later = TINY.start + timedelta(seconds=30)
    simulated(tmp_path / "other", seed=99, star_density=3.0, start=later)
    shutil.move(tmp_path / "other" / "night_0001.dng", tmp_path / "theirs.dng")
    rows = stackkit.stack([tmp_path]).record["frames"]
    assert {r["file"] for r in rows if r["used"]} == {f"ours_{k}.dng" for k in (1, 2, 3, 4)}


def test_scratch_place_that_is_not_there(small_night, tmp_path):
    with pytest.raises(OutputError, match="nowhere"):
        stackkit.stack([small_night], stackkit.Options(scratch=tmp_path / "nowhere"))


@pytest.mark.slow
def test_the_sample_frames_defects_are_the_simulator_s(monkeypatch):
    """Nearly all that there are, and few that are none: first by themselves, then by judging."""
    known = {}

    def kept(*arguments):
        verdict = judge(*arguments)
        known["mask"] = verdict.defects
        return verdict

    monkeypatch.setattr("stackkit.integration.passes.judge", kept)
    folder = Path(__file__).parents[1] / "sample_frames"
    stackkit.stack([folder])
    truth = json.loads((folder / "truth.json").read_text())["hot_pixels"]
    found = known["mask"][truth["y"], truth["x"]]
    assert found.mean() > 0.97
    assert known["mask"].sum() < 1.4 * len(found)
