"""Masters and lights on their way from files to the cache."""

from __future__ import annotations

import os
import shutil
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from calibration_scenes import SETTING
from command_line import TINY, blank_end
from faulty_readers import deadly
from grids import corners
from sessions import scan

from stackkit.calibration import load, mosaic_cache
from stackkit.calibration.apply import calibrate
from stackkit.calibration.load import find_masters, read_lights
from stackkit.calibration.master_file import write_master
from stackkit.calibration.masters import Master
from stackkit.errors import InputError
from stackkit.output.dng import mosaic_dng
from stackkit.raw.decode import RawFileError, decode
from stackkit.raw.headers.metadata import read_metadata
from stackkit.run.context import Context
from stackkit.run.readers import here, readers
from stackkit.run.workspace import Workspace
from stackkit.session.folder_kinds import Kind
from stackkit.simulate import Calibration, Night, write_calibration, write_night
from stackkit.simulate.folder import file_tags
from stackkit.simulate.sensor import expose

SMALL = Night(
    seed=4, frames=3, width=96, height=64, focal=65.0, faintest=7.0, satellites=0, aircraft=0
)
SIZE = (64, 96)


def context(folder: Path, read=here) -> Context:
    return Context(Workspace(folder), read, ThreadPoolExecutor(2), lambda *_: None)


def taken(folder: Path, kind: Calibration, count: int = 2, night: Night = SMALL) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    write_calibration(night, folder, kind, count)
    return folder


def lights(folder: Path, night: Night = SMALL) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    write_night(night, folder)
    return folder


@pytest.fixture
def work(tmp_path: Path) -> Path:
    (tmp_path / "work").mkdir()
    return tmp_path / "work"


@pytest.fixture
def night(tmp_path: Path) -> Path:
    return lights(tmp_path / "night")


def flat_master(least: float = 0.9, **setting: object) -> Master:
    value = np.full(SIZE, 1.0, np.float32)
    value[0, 0] = least
    return Master(Kind.FLAT, value, 0 * value, 5, replace(SETTING, **setting))


def read_in(folder: Path, masters: list[Master], work: Path, read=here):
    """The lights of a folder, and the reasons of those that are not among them by file name."""
    frames = scan([folder]).lights
    found, reasons = read_lights(frames, masters, context(work, read))
    return found, {frames[k].path.name: reason for k, reason in reasons.items()}


# Masters


def test_masters_are_made_of_what_lies_in_folders_named_after_them(night, work):
    taken(night / "darks", Calibration.DARK, 3)
    taken(night / "Flats", Calibration.FLAT)
    taken(night / "bias", Calibration.BIAS)
    masters, words, _ = find_masters([night], [], context(work))
    assert {(m.kind, m.count) for m in masters} == {
        (Kind.DARK, 3),
        (Kind.FLAT, 2),
        (Kind.BIAS, 2),
    }
    assert words == []
    assert list(work.iterdir()) == []
    assert len(scan([night]).lights) == 3


def test_without_such_folders_there_are_none(night, work):
    assert find_masters([night], [], context(work)) == ([], [], {})
    frames = sorted(night.glob("*.dng"))
    assert find_masters(frames, [], context(work)) == ([], [], {})


def test_masters_may_be_given_as_files_or_folders(night, work, tmp_path):
    checkpoints = tmp_path / "shelf"
    checkpoints.mkdir()
    write_master(checkpoints / "flat.fits", flat_master())
    write_master(checkpoints / "other.FIT", flat_master(0.8))
    (checkpoints / "notes.txt").write_text("Flats of Tuesday")
    (checkpoints / "._flat.fits").write_bytes(b"what some systems leave beside a file")
    taken(checkpoints / "Darks", Calibration.DARK)
    one, _, _ = find_masters([night], [checkpoints / "flat.fits"], context(work))
    assert [(m.kind, float(m.value[0, 0])) for m in one] == [(Kind.FLAT, np.float32(0.9))]
    everything, words, _ = find_masters([night], [checkpoints], context(work))
    assert sorted(m.kind for m in everything) == [Kind.DARK, Kind.FLAT, Kind.FLAT]
    assert words == []


def test_a_folder_of_darks_may_be_given_itself(night, work, tmp_path):
    darks = taken(tmp_path / "elsewhere/darks", Calibration.DARK)
    masters, _, _ = find_masters([night], [darks], context(work))
    assert [(m.kind, m.count) for m in masters] == [(Kind.DARK, 2)]


def test_frames_found_twice_count_once(night, work):
    darks = taken(night / "darks", Calibration.DARK)
    masters, _, _ = find_masters([night], [darks, night], context(work))
    assert [(m.kind, m.count) for m in masters] == [(Kind.DARK, 2)]


def test_what_is_of_no_use_is_told(night, work):
    darks = taken(night / "darks", Calibration.DARK, 3)
    blank_end(darks / "dark_0002.dng")
    (darks / "notes.txt").write_text("warm evening")
    masters, words, _ = find_masters([night], [], context(work))
    assert [(m.kind, m.count) for m in masters] == [(Kind.DARK, 2)]
    assert len(words) == 2
    assert any(w.startswith("dark_0002.dng is left out: damaged") for w in words)
    assert any(w.startswith("notes.txt is left out: a text file") for w in words)


def test_nothing_where_masters_were_said_to_be(night, work, tmp_path):
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(InputError, match="neither masters nor calibration frames") as fault:
        find_masters([night], [empty], context(work))
    assert str(empty) in str(fault.value)
    with pytest.raises(InputError, match=r"There is no master .*nowhere"):
        find_masters([night], [tmp_path / "nowhere"], context(work))


def test_a_damaged_master_file_is_named(night, work, tmp_path):
    path = tmp_path / "dark.fits"
    write_master(path, flat_master())
    path.write_bytes(path.read_bytes()[:4000])
    with pytest.raises(InputError, match=r"dark\.fits: damaged or cut short"):
        find_masters([night], [path], context(work))


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="permissions of another kind")
def test_a_folder_that_may_not_be_read_is_named(ordinary_user):
    folder, lowered = ordinary_user
    closed = folder / "closed"
    closed.mkdir(mode=0)
    with lowered(), pytest.raises(InputError, match=r"Cannot read .*closed"):
        find_masters([], [closed], context(folder))


# What the masters do to the lights


def test_masters_of_others_are_left_out_in_words(night, work):
    masters = [
        flat_master(camera="Someone Else's"),
        flat_master(pattern=(2, 1, 1, 0)),
        Master(Kind.FLAT, np.ones((8, 8), np.float32), np.zeros((8, 8), np.float32), 5, SETTING),
        Master(Kind.BIAS, np.ones(SIZE, np.float32), np.zeros(SIZE, np.float32), 5,
               replace(SETTING, iso=100)),
    ]  # fmt: skip
    found, _ = read_in(night, masters, work)
    assert found.correction.dark is None
    assert found.correction.flat is None
    told = " ".join(found.words)
    assert len(found.words) == 4
    assert "another camera (Someone Else's)" in told
    assert "its Bayer pattern differs" in told
    assert "it is 8×8, the lights are 96×64" in told
    assert "taken at ISO 100, the lights at ISO 3200" in told


def test_those_that_fit_are_used_and_told(night, work):
    taken(night / "darks", Calibration.DARK, 3)
    taken(night / "bias", Calibration.BIAS, 3)
    taken(night / "flats", Calibration.FLAT, 3)
    masters, _, _ = find_masters([night], [], context(work))
    found, _ = read_in(night, masters, work)
    assert found.correction.flat is not None
    assert any("flat (3 frames) evens the field" in w for w in found.words)
    assert any("dark of 8 s" in w for w in found.words)
    bias = [m for m in masters if m.kind is Kind.BIAS]
    found, _ = read_in(night, bias, work)
    assert np.array_equal(found.correction.dark, bias[0].value)
    assert found.words == ("The bias at ISO 3200 (3 frames) is taken off.",)


# Lights


def test_lights_lie_in_the_cache_as_calibrate_gives_them(night, work):
    flat = flat_master(0.5)
    found, reasons = read_in(night, [flat], work)
    assert reasons == {}
    assert found.numbers == [0, 1, 2]
    assert found.size == (96, 64)
    for number, path in enumerate(sorted(night.glob("*.dng"))):
        wanted = calibrate(decode(path), found.correction).adu
        codes = mosaic_cache.get(found.cache, number, mosaic_cache.whole(found.cache))
        kept = mosaic_cache.decode(codes, found.cache.coding)
        assert np.abs(kept - wanted).max() <= 0.5 * found.cache.coding.step + 1e-3


def test_a_light_that_cannot_be_used_costs_only_itself(tmp_path, work):
    folder = lights(tmp_path / "night", replace(SMALL, frames=5))
    blank_end(folder / "night_0002.dng")
    bggr = replace(SMALL, pattern="BGGR", frames=5)
    data = mosaic_dng(expose(bggr, 3).codes, file_tags(bggr, 3))
    (folder / "night_0004.dng").write_bytes(data)
    found, reasons = read_in(folder, [], work)
    assert found.numbers == [0, 2, 4]
    assert set(reasons) == {"night_0002.dng", "night_0004.dng"}
    assert reasons["night_0002.dng"].startswith("damaged")
    assert "Bayer pattern differs" in reasons["night_0004.dng"]


def other_size(path: Path):
    """Reads a file; the second frame turns out to be of another size than its header said."""
    mosaic = decode(path)
    if path.name == "night_0002.dng":
        return replace(mosaic, data=mosaic.data[:-2])
    return mosaic


def test_a_size_that_the_header_did_not_say(night, work, monkeypatch):
    monkeypatch.setattr(load, "decode", other_size)
    found, reasons = read_in(night, [], work)
    assert found.numbers == [0, 2]
    assert reasons == {"night_0002.dng": "another size than its file said"}


@pytest.mark.parametrize("processes", corners([1, 2], [1]))
def test_a_file_that_kills_its_reader_costs_one_frame(processes, night, work, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent))
    monkeypatch.setattr(load, "decode", deadly)
    with readers(processes) as read:
        found, reasons = read_in(night, [], work, read)
    assert found.numbers == [0, 2]
    assert reasons == {"night_0002.dng": "damaged so badly that it crashed the decoder"}


def test_frames_that_are_gone_when_they_are_read(night, work):
    frames = scan([night]).lights
    shutil.rmtree(night)
    with pytest.raises(InputError, match=r"None of the raw files could be read \(night_0001"):
        read_lights(frames, [], context(work))


def test_a_card_that_is_pulled_out_after_the_first_frame(night, work):
    seen: list[Path] = []

    def pulled(function, path):
        seen.append(path)
        if len(seen) > 1:
            raise RawFileError(path, "cannot be read")
        return function(path)

    frames = scan([night]).lights
    with pytest.raises(InputError, match="None of the raw files could be read"):
        read_lights(frames, [], context(work, pulled))


# Room for what is multiplied


def bright_corner(folder: Path, vignetting: float) -> float:
    """A night whose frames have samples almost at white in the corner, and a shading map; the
    value of such a sample after it.
    """
    night = replace(SMALL, vignetting=vignetting, shading_map=True)
    lights(folder, night)
    for k, path in enumerate(sorted(folder.glob("*.dng"))):
        codes = expose(night, k).codes.copy()
        codes[0:2, 0:2] = night.white - 30
        path.write_bytes(mosaic_dng(codes, file_tags(night, k)))
    return float(calibrate(decode(path)).adu[0, 0])


@pytest.mark.parametrize("least", [None, 0.95])
def test_a_bright_star_in_a_corner_keeps_its_value(tmp_path, work, least):
    wanted = bright_corner(tmp_path / "night", vignetting=2 / 3)
    assert wanted > 2.8 * (TINY.white - TINY.black - 30)  # a gain of nearly 3
    # A flat of another camera must not take the room away.
    masters = [] if least is None else [flat_master(least, camera="Someone Else's")]
    found, _ = read_in(tmp_path / "night", masters, work)
    codes = mosaic_cache.get(found.cache, 0, mosaic_cache.whole(found.cache))
    kept = mosaic_cache.decode(codes, found.cache.coding)[0, 0]
    assert kept == pytest.approx(wanted, abs=found.cache.coding.step)


def test_a_flat_makes_room_for_its_darkest_corner(tmp_path, work):
    folder = tmp_path / "night"
    bright_corner(folder, vignetting=0.2)
    found, _ = read_in(folder, [flat_master(0.25)], work)
    codes = mosaic_cache.get(found.cache, 0, mosaic_cache.whole(found.cache))
    kept = mosaic_cache.decode(codes, found.cache.coding)[0, 0]
    assert kept == pytest.approx(4 * (SMALL.white - 30 - SMALL.black), rel=1e-3)
    assert read_metadata(folder / "night_0001.dng").camera == SETTING.camera


def test_a_light_of_other_levels_is_left_out(night, work):
    tags = file_tags(SMALL, 1)
    codes = expose(SMALL, 1).codes
    slightly = replace(tags, black=(SMALL.black + 2.5,) * 4)
    (night / "slightly.dng").write_bytes(mosaic_dng(codes, slightly))
    (night / "wrong.dng").write_bytes(mosaic_dng(codes, replace(tags, black=(1500.0,) * 4)))
    found, reasons = read_in(night, [], work)
    assert len(found.numbers) == 4
    assert list(reasons) == ["wrong.dng"]
    assert "black or white level" in reasons["wrong.dng"]
