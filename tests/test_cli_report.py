"""``stackkit report``: the page again, from the folder alone; and what it says of bad folders."""

from __future__ import annotations

import json
import shutil
import webbrowser
import zipfile
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
from command_line import Begun, fault, good, names, record_of, run, simulated
from grids import corners
from html_page import Page, fetches_nothing, holds_its_policy, holds_together

from stackkit.picture.archive import ALONE, STACK, read_pictures, write_pictures


@pytest.fixture(scope="module")
def stacked(small_night: Path, tmp_path_factory: pytest.TempPathFactory, begun: Begun) -> Path:
    """Results of the small night.  Read only, please."""
    out = begun(small_night, tmp_path_factory.mktemp("stacked") / "out")
    good("stack", small_night, "--out", out)
    return out


@pytest.fixture
def results(stacked: Path, tmp_path: Path) -> Path:
    """The small files of a result, to do with as one likes."""
    folder = tmp_path / "results"
    folder.mkdir()
    for name in ("run.json", "pictures.zip", "report.html"):
        shutil.copy(stacked / name, folder)
    return folder


def test_the_page_comes_again_byte_for_byte(results: Path) -> None:
    first = (results / "report.html").read_bytes()
    (results / "report.html").unlink()
    assert good("report", results) == f"Look at it: {results / 'report.html'}\n"
    assert (results / "report.html").read_bytes() == first
    assert names(results) == ["pictures.zip", "report.html", "run.json"]
    page = Page(first.decode("utf-8"))
    holds_its_policy(page)
    fetches_nothing(page)
    holds_together(page)


def test_what_is_in_the_page(stacked: Path, small_night: Path) -> None:
    text = Page((stacked / "report.html").read_text(encoding="utf-8")).text
    record = record_of(stacked)
    for row in record["frames"]:
        assert row["file"] in text
    assert f"stackkit stack {small_night}" in text
    assert f"--out {stacked}" in text
    assert record["versions"]["numpy"] in text
    assert "All 6 together" in text


def test_hashes_are_those_of_the_files(stacked: Path, small_night: Path) -> None:
    import hashlib

    for row in record_of(stacked)["frames"]:
        if row["role"] == "light":
            data = (small_night / row["file"]).read_bytes()
            assert row["sha256"] == hashlib.sha256(data).hexdigest()


@pytest.mark.parametrize("left", [b"", b"PK\x03\x04 and no more", None, 0.5])
def test_without_pictures_the_figures_stand(results: Path, left: Any) -> None:
    archive = results / "pictures.zip"
    data = archive.read_bytes()
    if left is None:
        archive.unlink()
    else:
        archive.write_bytes(data[: int(left * len(data))] if isinstance(left, float) else left)
    good("report", results)
    page = Page((results / "report.html").read_text(encoding="utf-8"))
    holds_together(page)
    assert "pictures.zip" in page.text
    assert "less noise than in one frame" in page.text


def test_a_spoilt_picture_is_left_out(results: Path) -> None:
    archive = results / "pictures.zip"
    found = read_pictures(archive)
    data = bytearray(archive.read_bytes())
    place = data.index(found[STACK]) + len(found[STACK]) // 2
    data[place] ^= 0xFF
    archive.write_bytes(data)
    assert set(read_pictures(archive)) == set(found) - {STACK}
    good("report", results)


def test_an_archive_from_a_stranger(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "a.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(STACK, bytes(50_000_000))
        archive.writestr(ALONE, "<script>alert(1)</script>", zipfile.ZIP_STORED)
        archive.writestr("../up.webp", b"RIFF0000WEBP", zipfile.ZIP_STORED)
    assert list(read_pictures(tmp_path / "a.zip")) == ["../up.webp"]  # a name, and never a path


def test_the_archive_depends_on_nothing_but_its_pictures(tmp_path: Path) -> None:
    given = {STACK: b"RIFF0000WEBP1", "frame-00001.webp": b"RIFF0000WEBP2"}
    for name in ("a.zip", "b.zip"):
        write_pictures(tmp_path / name, given)
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()
    assert read_pictures(tmp_path / "a.zip") == given


def altered(folder: Path, change: Any) -> None:
    record = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    change(record)
    (folder / "run.json").write_text(json.dumps(record), encoding="utf-8")


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (lambda r: r["frames"][0].update(fwhm_px="wide"), "frames[0].fwhm_px"),
        (lambda r: r.pop("geometry"), "the whole"),
        (
            lambda r: r["integration"]["coverage"].update(frames=[{}]),
            "integration.coverage",
        ),
        (lambda r: r.update(schema="stackkit-run/4"), "stackkit-run/4"),
        (lambda r: r["integration"].update(noise_gain=float("nan")), "damaged"),
        (lambda r: r["integration"].update(frames=10**400), "make no sense"),
    ],
)
def test_a_changed_record_is_told(results: Path, change: Any, word: str) -> None:
    before = (results / "report.html").read_bytes()
    altered(results, change)
    assert word in fault(1, "report", results)
    assert (results / "report.html").read_bytes() == before
    assert names(results) == ["pictures.zip", "report.html", "run.json"]


def test_a_damaged_record_makes_no_traceback(results: Path) -> None:
    rng = np.random.default_rng(8)
    whole = (results / "run.json").read_bytes()
    for _ in range(60):
        data = bytearray(whole)
        for place in rng.integers(0, len(data), 3):
            data[place] = rng.integers(32, 127)
        (results / "run.json").write_bytes(data[: rng.integers(1, 2 * len(data))])
        outcome = run("report", results)
        assert outcome.status in (0, 1)
        assert "Traceback" not in outcome.err


@pytest.mark.parametrize("data", [b"", b"{", b"[" * 100_000, b"\xff\xfe", b"null", b"{}"])
def test_no_record_at_all(results: Path, data: bytes) -> None:
    (results / "run.json").write_bytes(data)
    assert "run.json" in fault(1, "report", results)


def test_folders_without_a_run(tmp_path: Path) -> None:
    assert "run.json" in fault(1, "report", tmp_path)
    assert "no folder" in fault(1, "report", tmp_path / "nowhere")
    (tmp_path / "file").touch()
    assert "no folder" in fault(1, "report", tmp_path / "file")
    assert "DIR" in fault(2, "report")


def test_the_browser_is_asked_to_open_it(
    results: Path,
    small_night: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    begun: Begun,
) -> None:
    asked: list[str] = []
    monkeypatch.setattr(webbrowser, "open", lambda url: asked.append(url) or True)
    good("report", results, "--open")
    good("stack", small_night, "--out", begun(small_night, tmp_path / "out"), "--open")
    assert asked == [
        (folder / "report.html").resolve().as_uri() for folder in (results, tmp_path / "out")
    ]


def test_where_there_is_no_browser_it_is_said(
    results: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(webbrowser, "open", lambda _url: False)
    outcome = run("report", results, "--open")
    assert outcome.status == 0
    assert "No browser" in outcome.err


def test_one_frame_makes_a_page(tmp_path: Path) -> None:
    night = simulated(tmp_path / "night")
    good("stack", night, "--out", tmp_path / "out")
    page = Page((tmp_path / "out" / "report.html").read_text(encoding="utf-8"))
    holds_together(page)
    assert "Only one frame is in the picture" in page.text
    assert "wipe" not in page.values("id")


@pytest.mark.parametrize("orientation", corners((3, 6), [6]))
def test_pictures_stand_upright_as_the_preview_does(tmp_path: Path, orientation: int) -> None:
    night = simulated(tmp_path / "night", frames=2, orientation=orientation)
    good("stack", night, "--out", tmp_path / "out")
    preview = imagecodecs.imread(tmp_path / "out" / "preview.png").astype(float)
    found = read_pictures(tmp_path / "out" / "pictures.zip")
    stack, alone = (imagecodecs.webp_decode(found[n]).astype(float) for n in (STACK, ALONE))
    assert stack.shape == alone.shape == preview.shape
    # Stars are a few bright pixels: turned wrongly, hardly any would fall on another.
    assert np.corrcoef(stack.ravel(), preview.ravel())[0, 1] > 0.9
    assert np.corrcoef(alone.ravel(), preview.ravel())[0, 1] > 0.5
    thumbnail = imagecodecs.webp_decode(found["frame-00001.webp"]).mean(axis=2)
    high, wide = thumbnail.shape
    assert (high > wide) == (preview.shape[0] > preview.shape[1])
    rough = preview.mean(axis=2)[: 4 * high, : 4 * wide].reshape(high, 4, wide, 4).max(axis=(1, 3))
    assert np.corrcoef(thumbnail.ravel(), rough.ravel())[0, 1] > 0.4
