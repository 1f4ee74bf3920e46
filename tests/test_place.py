"""Where the frames were taken: told only to those who ask."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import exifread
import pytest
from astropy.io import fits
from command_line import good

from stackkit.output.dng import mosaic_dng
from stackkit.raw.headers.metadata import read_place
from stackkit.simulate import Night, expose
from stackkit.simulate.folder import file_tags

PLACE = (-47.3165, 11.2514)
NIGHT = Night(seed=11, frames=3, width=160, height=120, focal=130.0, faintest=8.0)


@pytest.fixture
def night(tmp_path: Path) -> Path:
    folder = tmp_path / "night"
    folder.mkdir()
    for k in range(NIGHT.frames):
        tags = replace(file_tags(NIGHT, k), place=PLACE)
        (folder / f"n{k}.dng").write_bytes(mosaic_dng(expose(NIGHT, k).codes, tags))
    return folder


def test_the_place_is_read_when_asked(night: Path) -> None:
    place = read_place(night / "n0.dng")
    assert place is not None
    assert (place.latitude, place.longitude) == pytest.approx(PLACE, abs=1e-6)
    with (night / "n0.dng").open("rb") as file:  # exifread as a reader of its own
        known = exifread.utils.get_gps_coords(exifread.process_file(file))
    assert known == pytest.approx(PLACE, abs=1e-6)


def test_results_keep_the_place_to_themselves(night: Path, tmp_path: Path) -> None:
    good("stack", night, "--out", tmp_path / "out")
    assert json.loads((tmp_path / "out/run.json").read_text())["place"] is None
    for path in (tmp_path / "out").iterdir():
        content = path.read_bytes()
        assert b"47.31" not in content
        assert b"OBSGEO" not in content
        assert b"GPS" not in content


def test_results_tell_the_place_when_told_to(night: Path, tmp_path: Path) -> None:
    good("stack", night, "--out", tmp_path / "out", "--keep-place")
    place = json.loads((tmp_path / "out/run.json").read_text())["place"]
    assert (place["latitude"], place["longitude"]) == pytest.approx(PLACE, abs=1e-6)
    header = fits.getheader(tmp_path / "out/stack.fits")
    assert header["OBSGEO-B"] == pytest.approx(PLACE[0], abs=1e-6)
    assert header["OBSGEO-L"] == pytest.approx(PLACE[1], abs=1e-6)
