"""The options of the files for editing, from the command line to the bytes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from command_line import RESULTS, TINY, Begun, fault, good, names, record_of, run

from stackkit.output.dng import mosaic_dng
from stackkit.simulate.folder import file_tags
from stackkit.simulate.sensor import expose


@pytest.fixture(scope="module")
def plain(small_night: Path, tmp_path_factory: pytest.TempPathFactory, begun: Begun) -> Path:
    out = begun(small_night, tmp_path_factory.mktemp("plain") / "out")
    good("stack", small_night, "--out", out)
    return out


def light(out: Path) -> np.ndarray:
    """stack.tif without its pedestal."""
    return tifffile.imread(out / "stack.tif") - record_of(out)["editing"]["pedestal"]


@pytest.mark.parametrize("white", ["daylight", "stars", "2.1,1,1.4"])
def test_white(small_night: Path, plain: Path, tmp_path: Path, begun: Begun, white: str) -> None:
    begun(small_night, tmp_path)
    good("stack", small_night, "--out", tmp_path, "--white", white)
    colour = record_of(tmp_path)["colour"]
    if white == "daylight":  # the simulator's camera shoots with the white of daylight
        assert colour["neutral"] == pytest.approx([0.52, 1, 0.66], abs=1e-3)
    elif white == "stars":
        assert colour["neutral"] == colour["stars"]
    else:
        assert colour["white"] == [2.1, 1.0, 1.4]
        assert colour["multipliers"] == pytest.approx([2.1, 1.0, 1.4])
    # The measurement knows nothing of it.
    measured = (path / "stack.fits" for path in (plain, tmp_path))
    np.testing.assert_array_equal(*(fits.getdata(path) for path in measured))


@pytest.mark.parametrize("white", ["tungsten", "1,2", "1,1,nan", "0,1,1", "1,1,1,1", "", "99,1,1"])
def test_a_white_that_is_none(small_night: Path, tmp_path: Path, white: str) -> None:
    line = fault(2, "stack", small_night, "--out", tmp_path / "out", "--white", white)
    assert "three multipliers" in line
    assert not (tmp_path / "out").exists()


def test_everything_at_once_and_then_not_any_more(
    small_night: Path, tmp_path: Path, begun: Begun
) -> None:
    options = ("--dng", "--gradient", "remove", "--tiff", "16", "--space", "rec2020")
    begun(small_night, tmp_path)
    said = good("stack", small_night, "--out", tmp_path, *options)
    assert names(tmp_path) == sorted([*RESULTS, "stack.dng", "gradient.fits"])
    assert "  stack.dng " in said
    assert "  gradient.fits " in said
    record = record_of(tmp_path)
    assert record["colour"]["space"] == "Rec. 2020"
    assert record["editing"]["gradient_removed"]
    assert record["editing"]["bits"] == 16
    assert record["options"]["gradient"] == "remove"
    assert tifffile.imread(tmp_path / "stack.tif").dtype == np.uint16
    # Files that the next run does not make are not left beside its record.
    fault(2, "stack", small_night, "--out", tmp_path)
    begun(small_night, tmp_path)
    good("stack", small_night, "--out", tmp_path, "--force")
    assert names(tmp_path) == RESULTS


def test_what_was_taken_off_lies_beside(
    small_night: Path, plain: Path, tmp_path: Path, begun: Begun
) -> None:
    begun(small_night, tmp_path)
    good("stack", small_night, "--out", tmp_path, "--gradient", "remove")
    whole, left = (fits.getdata(path / "stack.fits") for path in (plain, tmp_path))
    sky = fits.getdata(tmp_path / "gradient.fits")
    np.testing.assert_allclose(left + sky, whole, atol=1e-3)
    assert "gradient.fits" in str(fits.getheader(tmp_path / "stack.fits")["COMMENT"])
    assert abs(float(np.nanmedian(left[1]))) < 0.1 * float(np.nanmedian(whole[1]))
    # Nothing of it is lost in the file for editing, which editors cut off at nought.
    assert (tifffile.imread(tmp_path / "stack.tif") < 0).mean() < 1e-4
    # The previews never showed it.
    for name in ("preview.png", "preview.jpg"):
        assert (tmp_path / name).read_bytes() == (plain / name).read_bytes()


def test_sixteen_bits_hold_the_same_light(
    small_night: Path, plain: Path, tmp_path: Path, begun: Begun
) -> None:
    begun(small_night, tmp_path)
    good("stack", small_night, "--out", tmp_path, "--tiff", "16")
    editing = record_of(tmp_path)["editing"]
    codes = tifffile.imread(tmp_path / "stack.tif")
    found = codes / 65535 * editing["full_scale"] - editing["pedestal"]
    wanted = np.clip(light(plain), -editing["pedestal"], editing["full_scale"])
    np.testing.assert_allclose(found, wanted, atol=editing["full_scale"] / 65535)


def frames(folder: Path, **changes: object) -> Path:
    """A night of two frames whose tags say something else."""
    folder.mkdir()
    night = type(TINY)(**{**vars(TINY), "frames": 2})
    for k in range(2):
        tags = {**vars(file_tags(night, k)), **changes}
        made = mosaic_dng(expose(night, k).codes, type(file_tags(night, k))(**tags))
        (folder / f"{k}.dng").write_bytes(made)
    return folder


def test_a_camera_without_matrices(tmp_path: Path) -> None:
    folder = frames(tmp_path / "night", color_matrix=(0.0,) * 9)
    good("stack", folder, "--out", tmp_path / "out", "--keep-scratch")
    colour = record_of(tmp_path / "out")["colour"]
    assert colour["assumed"]
    assert colour["camera"] is None
    with tifffile.TiffFile(tmp_path / "out" / "stack.tif") as tiff:
        assert "unknown and taken for sRGB's" in tiff.pages[0].description
    said = good("stack", folder, "--out", tmp_path / "out", "--force", "--white", "daylight")
    assert "The camera's colours are not known" in said.replace("\n", " ")


@pytest.mark.parametrize("neutral", [(0.0, 1.0, 1.0), (1e-6, 1.0, 1.0)])
def test_a_white_that_no_camera_has(tmp_path: Path, neutral: tuple[float, ...]) -> None:
    # The matrix is not scaled by it: the writer of tags would make it singular.
    own = tuple(0.0 if not n else 1 / n for n in neutral for _ in range(3))
    folder = frames(tmp_path / "night", neutral=neutral, color_matrix=own)
    outcome = run("stack", folder, "--out", tmp_path / "out")
    assert outcome.status == 0, outcome.err
    record = record_of(tmp_path / "out")
    assert max(record["colour"]["multipliers"]) < 20
    assert np.isfinite(tifffile.imread(tmp_path / "out" / "stack.tif")).all()
