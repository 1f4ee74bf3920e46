"""Each mishap alone in a small night: told for what it is, and treated as it deserves."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from grids import corners
from scipy.spatial import cKDTree

from stackkit.grading.diagnosis import Cause
from stackkit.grading.grade import Grade
from stackkit.output.dng import mosaic_dng
from stackkit.pipeline import Options, prepared
from stackkit.simulate import Mishap, MishapKind, Night, expose, write_night
from stackkit.simulate.folder import file_tags, frame_name, truth
from stackkit.simulate.night import mid_time, sky_matrix
from stackkit.simulate.sky import catalogue

NIGHT = Night(
    seed=41,
    frames=10,
    width=480,
    height=360,
    focal=400.0,
    faintest=8.5,
    zero_rate=6e4,
    satellites=0,
    aircraft=0,
)
OUT, LESS, FULL = "left out", "less", "in full"


@pytest.fixture(scope="session")
def spared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The night without mishaps.  Read only, please."""
    folder = tmp_path_factory.mktemp("spared")
    write_night(NIGHT, folder)
    return folder


def graded(spared: Path, folder: Path, *mishaps: Mishap) -> list[Grade]:
    """Grades of the night with these mishaps; only the frames that suffer are drawn anew."""
    night = replace(NIGHT, mishaps=mishaps)
    struck = {k for m in mishaps for k in range(m.first, m.last + 1)}
    for k in range(night.frames):
        path = folder / frame_name(k)
        if k in struck:
            path.write_bytes(mosaic_dng(expose(night, k).codes, file_tags(night, k)))
        else:
            os.link(spared / frame_name(k), path)
    with prepared([folder], Options(jobs=1)) as ready:
        return ready.grades


def fate(found: Grade) -> str:
    if not found.used:
        return OUT
    return LESS if found.cause else FULL


def test_a_night_without_mishaps_is_kept_in_full(spared, tmp_path):
    found = graded(spared, tmp_path)
    assert [fate(one) for one in found] == [FULL] * 10
    assert [one.weight for one in found] == pytest.approx([found[0].weight] * 10, rel=0.05)


TOLD = {
    "cloud": (Mishap(MishapKind.CLOUD, 3, 3, 0.65), Cause.CLOUD, LESS),
    "thick cloud": (Mishap(MishapKind.CLOUD, 3, 4, 0.97), Cause.CLOUD, OUT),
    "patchy cloud": (Mishap(MishapKind.PATCHES, 6, 7, 0.9), Cause.CLOUD, LESS),
    "haze": (Mishap(MishapKind.HAZE, 5, 9, 0.3), Cause.HAZE, LESS),
    "soft": (Mishap(MishapKind.DEFOCUS, 3, 3, 1.2), Cause.DEFOCUS, LESS),
    "out of focus": (Mishap(MishapKind.DEFOCUS, 3, 3, 6.0), Cause.DEFOCUS, OUT),
    "tremble": (Mishap(MishapKind.TREMBLE, 3, 3, 1.5, 0.4), Cause.SHAKEN, LESS),
    "jolt": (Mishap(MishapKind.JOLT, 3, 3, 9.0, 0.4), Cause.SHAKEN, OUT),
    "trail": (Mishap(MishapKind.TRAIL, 3, 3, 15.0, 0.4), Cause.TRAILED, OUT),
    "dew": (Mishap(MishapKind.DEW, 6, 9, 0.8), Cause.DEW, LESS),
    "dawn": (Mishap(MishapKind.DAWN, 6, 9, 6.0), Cause.GLOW, LESS),
    "torch": (Mishap(MishapKind.TORCH, 3, 3, 12.0), Cause.TORCH, LESS),
    "flooded": (Mishap(MishapKind.FLOODED, 3, 3, 300.0), Cause.CLIPPED, OUT),
    "covered": (Mishap(MishapKind.COVERED, 3, 3), Cause.COVERED, OUT),
}
TOGETHER = (
    {"cloud": 1, "tremble": 3, "torch": 5, "covered": 7, "out of focus": 9},
    {"trail": 1, "soft": 3, "flooded": 5, "jolt": 7, "patchy cloud": 9},
)
"""Mishaps of one frame each, by the frame that suffers it, as many as leave good ones between."""


def check(found: list[Grade], struck: dict[int, str], growing: range = range(0)) -> None:
    """The frames named are told for what they are and treated so; the others, but for those in
    which a mishap is still ``growing``, are kept in full.
    """
    for k, one in enumerate(found):
        if k in growing:
            continue
        if k not in struck:
            assert fate(one) == FULL, one.reason
            continue
        _, cause, what = TOLD[struck[k]]
        assert (one.cause, fate(one)) == (cause, what), one.reason
        assert one.reason.startswith(str(cause))


@pytest.mark.parametrize("night", corners(TOGETHER, TOGETHER[:1]), ids=" + ".join)
def test_several_mishaps_in_one_night_are_told_apart(spared, tmp_path, night):
    moved = [replace(TOLD[name][0], first=k, last=k) for name, k in night.items()]
    check(graded(spared, tmp_path, *moved), {k: name for name, k in night.items()})


@pytest.mark.parametrize("name", corners(TOLD, ["dew"]))
def test_a_mishap_is_told_for_what_it_is(spared, tmp_path, name):
    mishap = TOLD[name][0]
    found = graded(spared, tmp_path, mishap)
    check(found, {mishap.last: name}, range(mishap.first, mishap.last))


@pytest.mark.parametrize(
    "kind", corners((MishapKind.EXPOSURE, MishapKind.ISO), [MishapKind.EXPOSURE])
)
def test_other_settings_are_no_cloud(spared, tmp_path, kind):
    """Half the exposure: half the light, which is weighed; half the ISO: nearly the same worth."""
    found = graded(spared, tmp_path, Mishap(kind, 6, 9, 0.5))
    assert [fate(one) for one in found] == [FULL] * 10
    assert [one.light for one in found] == pytest.approx([1.0] * 10, abs=0.03)
    ratio = found[7].weight / found[1].weight
    sky, read = NIGHT.sky_rate * NIGHT.exposure * 1.4, NIGHT.read_noise**2
    # Photon and read noise in electrons; ISO changes only what rounding adds.
    expected = 0.25 * (sky + read) / (0.5 * sky + read) if kind is MishapKind.EXPOSURE else 1.0
    assert ratio == pytest.approx(expected, rel=0.1)


@pytest.mark.slow
def test_a_cloud_among_shorter_exposures_is_a_cloud(spared, tmp_path):
    cloud = Mishap(MishapKind.CLOUD, 7, 7, 0.6)
    found = graded(spared, tmp_path, Mishap(MishapKind.EXPOSURE, 6, 9, 0.5), cloud)
    assert [k for k, one in enumerate(found) if one.cause] == [7]
    assert found[7].cause is Cause.CLOUD
    assert found[7].light == pytest.approx(0.4, abs=0.04)


def kasten_young(altitude):
    """Airmass at an altitude in degrees: Kasten & Young 1989, Applied Optics 28:4735."""
    return 1 / (np.sin(np.radians(altitude)) + 0.50572 * (altitude + 6.07995) ** -1.6364)


def light_beside(night, stars, k, reference):
    """Median over stars by number of what the air leaves of them beside the reference frame."""
    directions = catalogue(night).direction[stars]
    up = [(directions @ sky_matrix(night, mid_time(night, n)).T)[:, 2] for n in (k, reference)]
    air = [kasten_young(np.degrees(np.arcsin(sine))) for sine in up]
    return float(np.median(10 ** (-0.4 * night.extinction * (air[0] - air[1]))))


def numbers_of(night, frame, table):
    """Which of the simulator's stars the detections of a frame are; -1 where none is near."""
    known = truth(night)["frames"][frame]["stars"]
    away, which = cKDTree(known["xy"]).query(table.xy)
    return np.where(away < 0.7, np.array(known["number"])[which], -1)


@pytest.mark.slow
def test_a_field_that_sets_loses_light_as_the_air_takes_it(tmp_path):
    """Twenty minutes low in the west, 0.3 magnitudes an airmass: no cloud, and the right figure."""
    night = replace(
        NIGHT,
        altitude=20.0,
        azimuth=270.0,
        focal=1200.0,
        faintest=10.0,
        zero_rate=2e5,
        cadence=120.0,
        extinction=0.3,
        vignetting=0.0,  # stars move through the field
        roll=40.0,
    )
    write_night(night, tmp_path)
    with prepared([tmp_path], Options(jobs=1)) as ready:
        found, reference, tables = ready.grades, ready.reference, ready.tables
        pairs = ready.registration.pairs
    assert {one.cause for one in found} <= {Cause.NONE, Cause.LOW}
    assert found[-1].cause is Cause.LOW
    numbers = numbers_of(night, reference, tables[reference])
    for k in (0, 9):
        own = pairs[k][~tables[reference].saturated[pairs[k][:, 0]], 0]
        stars = numbers[np.sort(own)[:300]]
        seen = found[k].light / found[reference].light
        expected = light_beside(night, stars[stars >= 0], k, reference)
        # Air and noise each scatter over the stars: their medians do not quite multiply.
        assert seen == pytest.approx(expected, rel=0.025)
        assert abs(seen - 1) > 0.03
