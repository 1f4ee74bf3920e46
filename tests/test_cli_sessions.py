"""Messy folders as a person meets them: the largest session is stacked, the others are offered."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from astropy.io import fits
from command_line import RESULTS, Begun, contents, fault, good, names, reasons, record_of
from grids import corners
from messy import SKY, shoot

EMOJI = "Nächte 2026 🌌"


@pytest.fixture(scope="module")
def mess(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four frames, and three of another part of the sky in a folder within, with a copy."""
    folder = tmp_path_factory.mktemp("mess")
    shoot(folder / EMOJI / "-a", "IMG", replace(SKY, seed=77), range(3), late=-400.0)
    shoot(folder, "IMG", SKY, range(4))
    shutil.copy(folder / "IMG-001.dng", folder / "--copy of IMG-001.dng")
    return folder


@pytest.fixture(scope="module")
def largest(mess: Path, tmp_path_factory: pytest.TempPathFactory, begun: Begun) -> Path:
    """The results of the session that is stacked unasked; the sources are only read."""
    before = contents(mess / EMOJI / "-a")
    out = begun(mess, tmp_path_factory.mktemp("largest") / "out")
    good("stack", mess, "--out", out)
    assert contents(mess / EMOJI / "-a") == before
    return out


def test_the_largest_is_stacked_and_the_other_offered(
    mess: Path, largest: Path, tmp_path: Path, begun: Begun
) -> None:
    text = good("stack", mess, "--out", begun(mess, tmp_path / "out"))
    assert record_of(tmp_path / "out")["frames"] == record_of(largest)["frames"]
    assert text.startswith("4 of 4 frames used: 32 s total exposure.")
    flat = " ".join(text.split())
    assert "--copy of IMG-001.dng: the same file as IMG-001.dng" in flat
    assert "This is session 2 of the 2 in the folder. The others:" in flat
    assert (
        "1 3 frames from 2026-10-13 20:34 UTC, another part of the sky; --session 1 stacks it"
        in flat
    )
    record = record_of(tmp_path / "out")
    assert record["options"]["session"] is None
    first, second = record["sessions"]
    assert first == {
        "number": 1,
        "frames": 3,
        "first": f"{EMOJI}/-a/IMG-000.dng",
        "last": f"{EMOJI}/-a/IMG-002.dng",
        "begin": "2026-10-13T20:34:31.250000Z",
        "end": "2026-10-13T20:35:11.250000Z",
        "camera": "Lanternfold Pocket Two",
        "exposures_s": [8.0],
        "chosen": False,
        "why": "another part of the sky",
    }
    assert (second["chosen"], second["why"], second["frames"]) == (True, "", 4)
    rows = {row["file"]: row["session"] for row in record["frames"]}
    assert rows["IMG-003.dng"] == 2
    assert rows[f"{EMOJI}/-a/IMG-001.dng"] == 1
    assert rows["--copy of IMG-001.dng"] is None
    with fits.open(tmp_path / "out" / "stack.fits") as hdus:
        hdus.verify("exception")
        assert len(hdus["FRAMES"].data) == 8


def test_another_session_is_stacked_on_demand(mess: Path, tmp_path: Path) -> None:
    text = good("stack", mess, "--out", tmp_path / "out", "--session", 1)
    assert text.startswith("3 of 3 frames used: 24 s total exposure.")
    record = record_of(tmp_path / "out")
    assert record["options"]["session"] == 1
    assert record["reference"].startswith(f"{EMOJI}/-a/")
    assert reasons(tmp_path / "out")["IMG-000.dng"] == (
        "it shows another part of the sky than the others"
    )
    good("compare", mess, "--out", tmp_path / "c", "--session", 1, "--methods", "mean")
    compared = json.loads((tmp_path / "c" / "compare.json").read_text(encoding="utf-8"))
    assert compared["frames"]["given"] == 3


def test_a_session_that_there_is_not(mess: Path, tmp_path: Path) -> None:
    for command in ("stack", "compare"):
        line = fault(2, command, mess, "--out", tmp_path / "out", "--session", 3)
        assert line == (
            "stackkit: There is no session 3 here, but sessions 1 (3 frames from 2026-10-13 20:34 "
            "UTC); 2 (4 frames from 2026-10-13 20:41 UTC)."
        )
    assert names(tmp_path) == []
    assert "--session" in fault(2, "stack", mess, "--out", tmp_path / "out", "--session", 0)


@pytest.mark.parametrize("inside", corners(("", "results"), [""]))
def test_results_within_the_folder_are_no_frames(
    mess: Path, largest: Path, tmp_path: Path, inside: str
) -> None:
    folder = tmp_path / "mess"
    shutil.copytree(mess, folder)
    out = folder / inside
    shutil.copytree(largest, out, dirs_exist_ok=True)  # those of an earlier run
    good("stack", folder, "--out", out, "--force")
    assert record_of(out)["frames"] == record_of(largest)["frames"]
    assert set(RESULTS) <= set(names(out))
