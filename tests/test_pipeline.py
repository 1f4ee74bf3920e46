"""The whole line as a library, against the simulator's truth and the sky's own rate."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from command_line import Begun, blank_end, good, names, simulated
from grids import corners
from jsonschema import Draft202012Validator

import stackkit
from stackkit.arrays import Array
from stackkit.errors import InputError, UsageError
from stackkit.geometry.lens import Lens, project, unproject
from stackkit.integration.methods import METHODS
from stackkit.pipeline import Options, Prepared, _integrate, prepared, result_of
from stackkit.record.file import plain
from stackkit.schemas.fields import schema_of
from stackkit.schemas.run import RunRecord

SIDEREAL = 360 * 3600 / 86164.0905
"""Arc seconds a second: one turn in 86164.0905 s (IAU)."""


@dataclass(frozen=True)
class Run:
    """A run on the small night, what it told of its progress, and names in its scratch place."""

    result: stackkit.Result
    told: list[tuple[str, int, int]]
    there: list[list[str]]
    scratch: Path


@pytest.fixture(scope="module")
def run(small_night: Path, tmp_path_factory: pytest.TempPathFactory) -> Run:
    told: list[tuple[str, int, int]] = []
    there: list[list[str]] = []
    place = tmp_path_factory.mktemp("scratch")

    def progress(*step: Any) -> None:
        told.append(step)
        there.append(names(place))

    return Run(stackkit.stack([small_night], Options(scratch=place), progress), told, there, place)


@pytest.fixture(scope="module")
def result(run: Run) -> stackkit.Result:
    return run.result


@pytest.fixture(scope="module")
def ready(small_night: Path) -> Iterator[Prepared]:
    """The small night, ready for integration by any method."""
    with prepared([small_night], Options()) as night:
        yield night


def test_the_library_does_what_the_command_does(
    result: stackkit.Result, small_night: Path, tmp_path: Path, begun: Begun
) -> None:
    good("stack", small_night, "--out", begun(small_night, tmp_path))
    with fits.open(tmp_path / "stack.fits") as hdus:
        assert np.array_equal(hdus[0].data, result.stack.value, equal_nan=True)
        assert np.array_equal(hdus["VARIANCE"].data, result.stack.variance, equal_nan=True)
        assert np.array_equal(hdus["COVERAGE"].data, result.stack.coverage)
    written = json.loads((tmp_path / "run.json").read_text())
    returned = plain(result.record)
    for record in (written, returned):
        record["output"] = {k: record["output"][k] for k in ("width", "height")}
    told = written.keys() - {"colour", "gradient", "editing", "options"}
    assert {key: written[key] for key in told} == {key: returned[key] for key in told}
    assert returned["options"].items() <= written["options"].items()


def test_what_it_returns(result: stackkit.Result, small_night: Path) -> None:
    assert result.stack.value.shape == result.stack.variance.shape == (3, 240, 320)
    assert result.stack.value.dtype == result.stack.variance.dtype == np.float32
    assert result.stack.coverage.shape == (240, 320)
    assert result.orientation == 1
    # The simulator's camera: neutral 0.52, 1, 0.66; 3839 ADU from black to white.
    assert result.known.as_shot == pytest.approx((0.52, 1.0, 0.66), rel=1e-4)
    assert result.white == pytest.approx(3839, rel=0.01)
    Draft202012Validator(schema_of(RunRecord)).validate(plain(result.record))
    assert names(small_night) == [*(f"night_{k:04d}.dng" for k in range(1, 7)), "truth.json"]


@pytest.mark.slow
def test_the_sky_turns_at_its_own_rate(tmp_path: Path) -> None:
    # Without refraction, which slows the sky by some thousandths at these altitudes.
    folder = simulated(
        tmp_path / "night",
        frames=7,
        cadence=240.0,
        width=480,
        height=360,
        focal=400.0,
        refraction=False,
    )
    geometry = stackkit.stack([folder]).record["geometry"]
    assert geometry["rate_arcsec_s"] == pytest.approx(SIDEREAL, rel=0.005)
    assert geometry["turn_deg"] == pytest.approx(6 * 240 * SIDEREAL / 3600, rel=0.005)
    assert geometry["lens"]["f"] == pytest.approx(400.0, rel=0.01)


def test_mappings_lead_to_the_true_places_of_the_stars(
    result: stackkit.Result, small_night: Path
) -> None:
    truth = json.loads((small_night / "truth.json").read_text())
    stars = {frame["file"]: frame["stars"] for frame in truth["frames"]}
    here = stars[result.record["reference"]]
    for row in plain(result.record)["frames"][:6]:
        there = stars[row["file"]]
        _, a, b = np.intersect1d(here["number"], there["number"], return_indices=True)
        wanted = np.array(there["xy"])[b]
        found = as_documented(row["mapping"], np.array(here["xy"])[a])
        assert len(wanted) > 100
        assert np.median(np.hypot(*(found - wanted).T)) < 0.05


def as_documented(mapping: dict[str, Any], xy: Array) -> Array:
    """The mapping as ``MappingRecord`` describes it: pixel, direction, matrix, direction, pixel."""
    reference, frame = (
        Lens(**{k: np.inf if v is None else v for k, v in mapping[name].items()})
        for name in ("reference_lens", "frame_lens")
    )
    directions = unproject(reference, xy) @ np.array(mapping["matrix"]).T
    return np.asarray(project(frame, directions))


def test_the_noise_falls_with_the_root_of_the_number(result: stackkit.Result) -> None:
    # Independent measurements: noise falls by √6.
    assert result.record["integration"]["noise_gain"] == pytest.approx(6**0.5, rel=0.25)
    assert result.record["integration"]["frames"] == 6


def test_a_hazy_frame_counts_less(tmp_path: Path) -> None:
    folder = simulated(tmp_path / "night", frames=4, clear=(1.0, 1.0, 1.0, 0.5))
    rows = stackkit.stack([folder]).record["frames"][:4]
    assert all(row["used"] for row in rows)
    assert rows[3]["transparency"] == pytest.approx(0.5, abs=0.05)
    assert max(rows[3]["weight"] / row["weight"] for row in rows[:3]) < 0.6
    assert min(rows[k]["weight"] for k in range(3)) > 0.9


@pytest.mark.slow
def test_a_nudge_of_the_tripod_is_followed(tmp_path: Path) -> None:
    folder = simulated(tmp_path / "night", frames=4, bump_frame=2, bump_degrees=2.0)
    record = stackkit.stack([folder]).record
    assert [row["used"] for row in record["frames"][:4]] == [True] * 4
    assert max(row["residual_px"] for row in record["frames"][:4]) < 0.2


def test_steps_are_told_from_their_beginning_to_their_end(run: Run) -> None:
    steps = list(dict.fromkeys(name for name, _, _ in run.told))
    assert steps == [
        "Sorting the frames",
        "Reading the frames",
        "Finding hot pixels",
        "Finding stars",
        "Aligning the frames",
        "Trial stack",
        "Confirming hot pixels",
        "First stack",
        "Rejecting outliers",
        "Combining",
    ]
    for step in steps:
        counts = [(done, total) for name, done, total in run.told if name == step]
        assert counts == sorted(counts)
        assert len({total for _, total in counts}) == 1
        assert counts[-1][0] == counts[-1][1]


def test_scratch_files_lie_where_they_may_and_go(run: Run) -> None:
    assert all(len(there) == 1 for there in run.there)
    assert names(run.scratch) == []


def test_scratch_files_go_when_it_fails(small_night: Path, tmp_path: Path) -> None:
    def stop(step: str, _done: int, _total: int) -> None:
        if step == "Combining":
            raise RuntimeError("stop")

    with pytest.raises(RuntimeError, match="stop"):
        stackkit.stack([small_night], Options(scratch=tmp_path), stop)
    assert names(tmp_path) == []


@pytest.mark.parametrize("method", corners(METHODS, ["median", "tukey", "minimum"]))
def test_every_method_gives_a_picture_of_the_same_sky(
    result: stackkit.Result, ready: Prepared, method: str
) -> None:
    integration = _integrate(ready, METHODS[method])
    picture, record = integration.picture, result_of(ready, integration).record
    assert record["integration"]["method"] == method
    assert record["integration"]["rejected_share"] is None
    assert record["frames"] == result.record["frames"]
    difference = picture.value - result.stack.value
    # Of six frames the brightest lies 1.27 standard deviations of a frame above the mean.
    most = 1.6 * 6**0.5 if method in ("maximum", "minimum") else 2
    assert np.nanmedian(np.abs(difference)) < most * np.nanmedian(result.stack.variance) ** 0.5


def test_options_that_make_no_sense(small_night: Path) -> None:
    with pytest.raises(UsageError, match="no method “best”"):
        stackkit.stack([small_night], Options(method="best"))
    with pytest.raises(UsageError, match="jobs"):
        stackkit.stack([small_night], Options(jobs=0))


@pytest.mark.parametrize("jobs", [1, 3])
def test_as_many_threads_as_jobs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, jobs: int
) -> None:
    asked: list[int] = []

    def pool(count: int) -> ThreadPoolExecutor:
        asked.append(count)
        return ThreadPoolExecutor(count)

    monkeypatch.setattr("stackkit.run.workers.ThreadPoolExecutor", pool)
    with pytest.raises(InputError, match="is empty"):
        stackkit.stack([tmp_path], Options(jobs=jobs))
    assert asked == [jobs]


def stacked(paths: Sequence[Path | str]) -> dict[str, tuple[bool, str]]:
    """Whether each file was used, and why not."""
    return {
        row["file"]: (row["used"], row["reason"]) for row in stackkit.stack(paths).record["frames"]
    }


def test_files_may_be_named_one_by_one(small_night: Path) -> None:
    paths = [str(small_night / "night_0004.dng"), small_night / "night_0002.dng"]
    assert list(stacked(paths)) == ["night_0002.dng", "night_0004.dng"]


def test_a_file_that_proves_bad_when_it_is_read(small_night: Path, tmp_path: Path) -> None:
    # Its header is good, so that the scan takes it for a frame; it is the first in time, too.
    for k in (1, 2, 3):
        shutil.copy(small_night / f"night_{k:04d}.dng", tmp_path)
    blank_end(tmp_path / "night_0001.dng")
    found = stacked([tmp_path])
    assert found == {
        "night_0001.dng": (False, "damaged: the end of its picture is blank"),
        "night_0002.dng": (True, ""),
        "night_0003.dng": (True, ""),
    }


def test_nothing_to_stack(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is empty"):
        stackkit.stack([tmp_path])
    with pytest.raises(InputError, match="no folder or file"):
        stackkit.stack([tmp_path / "nowhere"])


@pytest.mark.slow
def test_frames_of_two_nights_do_not_match(small_night: Path, tmp_path: Path) -> None:
    for k in (1, 2, 3):
        shutil.copy(small_night / f"night_{k:04d}.dng", tmp_path / f"ours_{k}.dng")
    # Another seed is another sky; with fewer stars it does not become the reference.
    simulated(tmp_path / "other", seed=99, star_density=0.6)
    shutil.move(tmp_path / "other" / "night_0001.dng", tmp_path / "theirs.dng")
    found = stacked([tmp_path])
    assert [used for used, _ in found.values()].count(True) == 3
    used, reason = found["theirs.dng"]
    assert not used
    assert "do not match the other frames" in reason
