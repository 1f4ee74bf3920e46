"""What the end of a run says of the geometry, from records made up for the purpose."""

from __future__ import annotations

import copy
import re

import pytest
from sample_record import sample_record
from stackkit_cli.summary import summary

from stackkit.record.file import plain


def said(change=None, columns=200):
    record = copy.deepcopy(plain(sample_record()))
    record["output"]["files"]["record"] = "run.json"
    if change:
        change(record)
    return summary(record, columns)


def geometry(**values):
    return lambda record: record["geometry"].update(values)


def push(number, **changes):
    usual = {
        "before": f"night_{number:04d}.dng",
        "after": f"night_{number + 1:04d}.dng",
        "time": "2026-10-13T20:44:11.250000Z",
        "degrees": 1.94,
        "px": 45.0,
    }
    return {**usual, **changes}


def test_the_sky_s_rate_is_told_when_it_is_known():
    assert "Sky turned    0.25° at 15.04″ a second (the Earth turns at 15.04)" in said()
    vague = said(geometry(rate_sigma_arcsec_s=0.4))
    assert "Sky turned    0.25°\n" in vague


def test_a_sky_that_stood_still():
    assert "Sky turned    not at all\n" in said(geometry(still=True))


def test_another_rate_is_not_called_the_sky_s():
    text = said(
        geometry(rate_arcsec_s=15.41, clock={"trusted": False, "scatter_s": 0.1}), columns=300
    )
    assert "Sky turned" not in text
    assert "Turned        0.25° at 15.41″ a second, the sky does 15.04" in text


def test_without_times_only_the_turning_is_told():
    text = said(geometry(rate_arcsec_s=None, rate_sigma_arcsec_s=None, clock=None))
    assert "Sky turned    0.25°\n" in text


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "by 1.9° between night_0004.dng and night_0005.dng (20:44 UTC)"),
        ({"time": None}, "by 1.9° between night_0004.dng and night_0005.dng\n"),
        ({"degrees": 0.03, "px": 0.7}, "by 1 px between night_0004.dng and night_0005.dng (20:44"),
    ],
)
def test_a_push_is_told_with_its_time(changes, words):
    assert f"Camera moved  {words}" in said(geometry(pushes=[push(4, **changes)]))


def test_many_pushes_are_cut_short():
    text = said(geometry(pushes=[push(k) for k in range(7)]))
    assert len(re.findall(r"by 1\.9°", text)) == 4
    assert "and 3 times more, listed in run.json" in text


def test_alignment_is_told_by_zones():
    assert "301 stars a frame, typically 0.07 px off (centre 0.06, corners 0.08)" in said()
    nowhere = said(geometry(zones_px=[0.06, 0.07, None]))
    assert "typically 0.07 px off\n" in nowhere


def test_frames_that_follow_no_lens_are_counted():
    def warped(record):
        record["frames"][0]["mapping"]["model"] = "homography"

    assert "1 frame follows no lens" in said(warped)
    assert "follows no lens" not in said()
