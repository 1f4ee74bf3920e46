"""The record of the geometry: what each part says, against the night that was simulated."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from jsonschema import Draft202012Validator
from star_sessions import SIZE, clock, night, registered, star_tables, table

from stackkit.geometry.lens import Lens, Projection, project, reaching
from stackkit.geometry.mapping import Mapping
from stackkit.record.file import plain
from stackkit.record.geometry import (
    field,
    geometry_record,
    mapping_record,
    placed_in_order,
    still,
    turns,
)
from stackkit.schemas.fields import schema_of
from stackkit.schemas.geometry import GeometryRecord
from stackkit.schemas.run import RunRecord
from stackkit.simulate.night import apply, camera_matrix, frame_lens, mid_time, refract

SIDEREAL_ARCSEC = 15.04106717866910
"""Arcseconds a second (IAU 2000 Earth rotation angle over UT1)."""
ABOVE = (0, 0, 1000, 660)
"""What of the picture shows sky when the camera looks 30° high: down to 6°."""


def told(found, times, used=None):
    count = len(found.mappings)
    names = [f"{k:02d}.dng" for k in range(count)]
    return geometry_record(found, names, times, SIZE, [True] * count if used is None else used)


def validator(part):
    schema = schema_of(RunRecord)
    return Draft202012Validator({**schema["properties"][part], "$defs": schema["$defs"]})


@pytest.fixture(scope="module")
def quiet():
    sky = night(seed=131, frames=12, faintest=8.5, altitude=30.0, azimuth=100.0)
    tables = star_tables(sky, stars=300, region=ABOVE)
    return sky, registered(sky, tables, times=clock(sky))


def test_every_part_is_told_and_fits_the_schema(quiet):
    sky, found = quiet
    record = told(found, clock(sky))
    validator("geometry").validate(json.loads(json.dumps(plain(record))))
    assert record["rate_arcsec_s"] == pytest.approx(SIDEREAL_ARCSEC, rel=0.01)
    assert abs(record["rate_arcsec_s"] - SIDEREAL_ARCSEC) < 4 * record["rate_sigma_arcsec_s"]
    span = 11 * sky.cadence
    assert record["turn_deg"] == pytest.approx(SIDEREAL_ARCSEC * span / 3600, rel=0.01)
    assert record["clock"]["trusted"]
    assert record["lens"]["f"] == pytest.approx(sky.focal, abs=4 * record["lens_sigma"]["f"])
    assert 0 < record["residual_px"] < 0.15
    assert len(record["zones_px"]) == 3
    assert record["uncertainty_px"][0] < record["uncertainty_px"][1] < 0.5
    assert record["pushes"] == []
    assert not record["still"]


@pytest.mark.parametrize(
    ("latitude", "azimuth"), [pytest.param(47.0, 100.0, marks=pytest.mark.slow), (-33.0, 90.0)]
)
def test_the_latitude_lies_within_its_uncertainty(latitude, azimuth):
    sky = night(
        seed=132, frames=10, cadence=60.0, faintest=8.5, altitude=30.0, latitude=latitude,
        azimuth=azimuth,
    )  # fmt: skip
    tables = star_tables(sky, stars=200, region=ABOVE)
    axis = told(registered(sky, tables, times=clock(sky)), clock(sky))["axis"]
    assert axis["latitude_deg"] == pytest.approx(latitude, abs=4 * axis["latitude_sigma_deg"])
    assert axis["latitude_deg"] == round(axis["latitude_deg"])  # a place is nobody's business
    assert axis["pole"] is None
    assert axis["pole_px"] is None


@pytest.mark.parametrize(("latitude", "azimuth", "name"), [(47, 0, "north"), (-33, 180, "south")])
def test_the_pole_in_the_picture_is_told(latitude, azimuth, name):
    sky = night(seed=133, frames=7, latitude=latitude, azimuth=azimuth, altitude=45.0)
    found = registered(sky, times=clock(sky))
    axis = told(found, clock(sky))["axis"]
    angle = np.radians(latitude)
    pole = np.sign(latitude) * np.array([[0.0, np.cos(angle), np.sin(angle)]])
    place = project(frame_lens(sky), apply(camera_matrix(sky, found.reference), refract(pole)))[0]
    assert axis["pole"] == name
    assert np.hypot(*(axis["pole_px"] - place)) < 5


def test_pushes_have_files_and_times():
    sky = night(seed=134, frames=10, bump_frame=7, bump_degrees=2.0, wind=0.3)
    known = clock(sky)
    found = registered(sky, times=known)
    record = told(found, known)
    (push,) = record["pushes"]
    assert (push["before"], push["after"]) == ("06.dng", "07.dng")
    assert push["time"] == known[7].isoformat().replace("+00:00", "Z")
    assert push["degrees"] == pytest.approx(2.0, abs=0.15)
    assert push["px"] == pytest.approx(np.radians(push["degrees"]) * record["lens"]["f"])
    validator("geometry").validate(json.loads(json.dumps(plain(record))))
    (untimed,) = told(found, [None if k == 7 else t for k, t in enumerate(known)])["pushes"]
    assert untimed["time"] is None


def test_without_times_there_is_no_rate_and_no_latitude():
    sky = night(seed=135, frames=7)
    found = registered(sky, times=None)
    record = told(found, [None] * sky.frames)
    assert record["rate_arcsec_s"] is None
    assert record["rate_sigma_arcsec_s"] is None
    assert record["clock"] is None
    assert record["axis"]["latitude_deg"] is None
    assert record["axis"]["sigma_deg"] is None
    validator("geometry").validate(json.loads(json.dumps(plain(record))))


def test_turns_are_signed_and_go_with_the_clock(quiet):
    sky, found = quiet
    degrees = np.array(turns(found, clock(sky)))
    wait = np.array([mid_time(sky, k) - mid_time(sky, found.reference) for k in range(sky.frames)])
    assert degrees == pytest.approx(wait * SIDEREAL_ARCSEC / 3600, abs=0.02)
    bare = turns(replace(found, sky_rotation=None), clock(sky))
    assert (np.sign(bare) == np.sign(wait)).all()


def test_only_used_frames_count(quiet):
    sky, found = quiet
    spoilt = replace(found, residuals=[9.0, *found.residuals[1:]])
    used = [k > 0 for k in range(sky.frames)]
    assert told(spoilt, clock(sky), used)["residual_px"] < 0.15
    nothing = told(found, clock(sky), [False] * sky.frames)
    assert nothing["residual_px"] is None
    assert nothing["turn_deg"] is None


def test_a_mapping_can_be_applied_from_its_record(quiet):
    _, found = quiet
    x, y = np.meshgrid(np.linspace(0, 999, 7), np.linspace(0, 749, 5))
    xy = np.stack([x, y], axis=-1)
    for mapping, model in zip(found.mappings, found.models, strict=True):
        record = json.loads(json.dumps(plain(mapping_record(mapping, model))))
        one, other = (
            Lens(**{**record[n], "zenith": tuple(record[n]["zenith"]),
                    "projection": Projection(record[n]["projection"])})
            for n in ("reference_lens", "frame_lens")
        )  # fmt: skip
        again = Mapping(one, other, np.array(record["matrix"]))
        assert np.abs(again.from_reference(xy) - mapping.from_reference(xy)).max() < 1e-9
    assert mapping_record(None, None) is None


def test_the_field_of_a_plain_lens_is_the_textbook_s():
    """2 arctan(width / 2f) for a rectilinear lens, width / f for an equidistant one."""
    centre = {"cx": 499.5, "cy": 374.5}
    flat = field(reaching(Lens(675.0, **centre), *SIZE), *SIZE)
    assert flat == pytest.approx(np.degrees(2 * np.arctan(np.array(SIZE) / 2 / 675.0)).tolist())
    wide = field(reaching(Lens(400.0, **centre, projection=Projection.EQUIDISTANT), *SIZE), *SIZE)
    assert wide == pytest.approx(np.degrees(np.array(SIZE) / 400.0).tolist())


def test_still_means_that_the_sky_should_have_moved(quiet):
    sky = night(seed=136)
    known = clock(sky)[:6]
    found = registered(sky, [star_tables(sky)[0]] * 6, times=known)
    assert still(found, known, SIZE)
    assert still(found, [known[0]] * 6, SIZE)  # copies say the same time
    soon = [known[0] + timedelta(seconds=5 * k) for k in range(6)]
    assert not still(found, soon, SIZE)  # in 25 s the sky moves by a pixel
    sky, moving = quiet
    assert not still(moving, clock(sky), SIZE)


def test_frames_are_ordered_by_time_where_all_have_one(quiet):
    sky, found = quiet
    known = clock(sky)[::-1]
    assert placed_in_order(found, known).tolist() == list(range(sky.frames))[::-1]
    known[4] = None
    assert placed_in_order(found, known).tolist() == list(range(sky.frames))


def test_a_run_without_alignment_has_nothing_to_tell():
    record = geometry_record(None, [], [], SIZE, [])
    assert set(record.values()) == {None}
    assert set(record) == set(GeometryRecord.__annotations__)


def test_a_single_placed_frame_has_no_lens():
    sky = night(seed=137, frames=3)
    tables = [table(np.zeros((0, 2))), star_tables(sky)[1], table(np.zeros((0, 2)))]
    record = told(registered(sky, tables), [None] * 3)
    assert record["lens"] is None
    assert record["field_deg"] is None
    assert record["uncertainty_px"] is None
    assert record["axis"] is None
