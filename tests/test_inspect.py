"""What an inspection measures and advises, against nights whose truth is known."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from command_line import TINY, simulated
from grids import corners
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from scenes import examples

from stackkit.errors import InputError
from stackkit.inspect import headers, inspect
from stackkit.inspect.facts import codes_of, halved, seen
from stackkit.inspect.motion import starless
from stackkit.inspect.sample import chosen, frame_noise
from stackkit.inspect.verdicts import (
    NightFigures,
    advice,
    nice,
    read_noise_share,
    seconds,
    short_exposure,
    unfit,
)
from stackkit.noise.photon_transfer import Noise
from stackkit.schemas.fields import schema_of
from stackkit.schemas.inspection import InspectionRecord
from stackkit.session.pauses import gaps
from stackkit.simulate import Calibration, expose, write_calibration
from stackkit.simulate.camera import pattern_indices
from stackkit.stars.detect import Stars, detect

START = datetime(2026, 10, 13, 20, tzinfo=UTC)
FAIR = NightFigures(
    count=24,
    exposure=8.0,
    level=(0.02, 0.04, 0.03),
    clipped=0.0,
    span=3839.0,
    step=1,
    noise=Noise(0.6, 2.0),
    stars=300,
    fwhm=2.2,
    elongation=0.1,
    drift=0.05,
    fastest=0.1,
)


def valid(record: dict) -> dict:
    Draft202012Validator(schema_of(InspectionRecord)).validate(record)
    json.dumps(record, allow_nan=False)
    return record


def test_the_schema_is_one_and_closed() -> None:
    schema = schema_of(InspectionRecord)
    Draft202012Validator.check_schema(schema)
    for part in (schema, *schema["$defs"].values()):
        assert part["additionalProperties"] is False
        assert sorted(part["required"]) == sorted(part["properties"])


# Codes


@examples(40)
@given(
    step=st.integers(1, 40),
    first=st.integers(0, 200),
    seed=st.integers(0, 2**20),
)
def test_steps_between_codes(step: int, first: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    data = (first + step * rng.integers(0, 200, (40, 40))).astype(np.uint16)
    data[0, :2] = first, first + step
    found = codes_of(data, 4095)
    assert found.step == step
    assert (found.lowest, found.highest) == (int(data.min()), int(data.max()))


@pytest.mark.parametrize(("step", "bits"), [(1, 14), (2, 13), (4, 12), (16, 10)])
def test_bits_really_used(step: int, bits: int) -> None:
    data = (step * np.arange(32 * 32) % 16384 // step * step).astype(np.uint16).reshape(32, 32)
    assert codes_of(data, 16383).bits == bits


def test_one_repaired_site_does_not_hide_the_step() -> None:
    data = (4 * np.random.default_rng(1).integers(0, 50, (500, 500))).astype(np.uint16)
    data[7, 9] = 13
    assert codes_of(data, 1023).step == 4
    assert codes_of(np.full((32, 32), 5, np.uint16), 1023).step is None


# Times


def test_gaps_are_where_it_took_longer() -> None:
    at = [0, 20, 40, 100, 120, 141]
    usual, found = gaps([START + timedelta(seconds=s) for s in at])
    assert usual == 20
    assert [(gap.after, gap.seconds) for gap in found] == [(2, 60.0)]


def test_a_clock_of_whole_seconds_makes_no_gaps() -> None:
    assert gaps([START + timedelta(seconds=s) for s in (0, 1, 2, 4, 5, 6)])[1] == ()
    assert gaps([None, None]) == (None, ())


@examples(50)
@given(count=st.integers(1, 400))
def test_a_pair_is_among_the_few_looked_at(count: int) -> None:
    few = chosen(count)
    assert few == sorted(set(few))
    assert set(few) <= set(range(count))
    assert len(few) <= 7
    assert count == 1 or any(b - a == 1 for a, b in pairwise(few))


# Noise, widths, foreground


def test_scatter_of_two_frames_is_their_noise() -> None:
    # EMVA Standard 1288, release 4.0, temporal dark noise: s² = var(difference) / 2.
    rng = np.random.default_rng(2)
    fixed = rng.normal(0, 30, (300, 300))
    one, other = (
        np.rint(fixed + rng.normal(0, 1.4, fixed.shape)).astype(np.float32) for _ in range(2)
    )
    other[5, :20] += 900
    assert frame_noise(one, other) == pytest.approx(np.sqrt(1.4**2 + 1 / 12), rel=0.01)


@pytest.mark.parametrize("sigma", corners((2.5, 4.0), [2.5]))
def test_the_width_of_stars_far_out_of_focus(sigma: float) -> None:
    night = replace(TINY, width=640, height=480, focal=520.0, defocus=(sigma,))
    adu = expose(night, 0).codes.astype(np.float32) - np.float32(night.black)
    noise = Noise(1 / night.gain, (night.read_noise / night.gain) ** 2)
    pattern = pattern_indices(night.pattern)
    half, half_noise = halved(adu, noise)
    wide = seen(detect(adu, pattern, noise, 3800.0), detect(half, pattern, half_noise, 3800.0))
    true = 2.3548 * np.hypot(night.psf_sigma, sigma)
    assert wide.fwhm == pytest.approx(true, rel=0.3)


def scattered(rng: np.random.Generator, count: int, ground: float) -> Stars:
    """Stars all over a picture of 800×600 but for the lowest share ``ground``."""
    x, y = rng.uniform(0, 800, count), rng.uniform(0, 600 * (1 - ground), count)
    ones = np.ones(count)
    return Stars(x, y, ones, ones, ones, ones, np.zeros(count, dtype=bool), 0 * ones)


@pytest.mark.parametrize("ground", [0.0, 0.15, 0.4])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_share_without_stars_is_the_foreground(ground: float, seed: int) -> None:
    tables = [scattered(np.random.default_rng([seed, k]), 700, ground) for k in range(4)]
    assert starless(tables, (800, 600)) == pytest.approx(ground, abs=0.03)
    few = [scattered(np.random.default_rng([seed, k]), 60, ground) for k in range(4)]
    assert starless(few, (800, 600)) is None


# Words


def test_nothing_to_say_of_fair_frames() -> None:
    assert advice(FAIR) == []


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"level": (0.3, 0.6, 0.4)}, ("fills 60 %", "expose shorter (about 4 s)")),
        ({"clipped": 0.03}, ("3 % of the samples are clipped",)),
        ({"drift": 0.5}, ("trailed", "4.0 px", "up to 3 s")),
        ({"drift": None, "fastest": 1.0, "elongation": 0.5}, ("may move 8 px", "up to 2 s")),
        ({"elongation": 0.5}, ("the camera shook",)),
        ({"fwhm": 7.0}, ("7.0 px wide", "focus again")),
        ({"noise": Noise(0.6, 60.0)}, ("Read noise makes the sky", "expose longer")),
        ({"noise": Noise(0.6, 60.0), "drift": 0.25}, ("longer exposures would trail",)),
        ({"level": (0.0, 1e-6, 0.0)}, ("hardly brighter than the read noise",)),
        ({"noise": Noise(0.0005, 0.09), "step": 16}, ("one digital step",)),
        ({"count": 5}, ("5 frames are few",)),
        ({"count": 1}, ("One frame alone",)),
    ],
)
def test_advice(changes: dict, words: tuple[str, ...]) -> None:
    said = " ".join(advice(replace(FAIR, **changes)))
    for word in words:
        assert word in said, said


def test_share_of_the_read_noise() -> None:
    # Variances add: three times as much from the sky as from reading makes √(4/3).
    level = 6.0 / 0.6 / FAIR.span
    found = read_noise_share(replace(FAIR, noise=Noise(0.6, 2.0), level=(0, level, 0)))
    assert found == pytest.approx(np.sqrt(4 / 3))
    assert read_noise_share(replace(FAIR, noise=None)) is None


@examples(60)
@given(st.floats(1e-3, 1e3))
def test_exposures_that_can_be_set_are_never_longer(value: float) -> None:
    assert value / 2 < nice(value) <= value * (1 + 1e-6)


def test_exposures_in_words() -> None:
    assert [seconds(s) for s in (8, 1.5, 0.004, 30)] == ["8 s", "1.5 s", "1/250 s", "30 s"]
    assert "1/250 s" in short_exposure(0.004, (0.2, 0.3, 0.2))
    assert "covered lens" in short_exposure(0.004, (0.0, 0.001, 0.0))


def test_why_a_light_is_not_fit() -> None:
    dark, round_stars = (0.01, 0.02, 0.01), seen(scattered(np.random.default_rng(1), 50, 0.0))
    assert unfit(dark, round_stars, 8.0, "") == ""
    assert unfit(dark, round_stars, 8.0, "blurred") == "blurred"
    assert "overexposed" in unfit((0.5, 0.98, 0.6), round_stars, 8.0, "no stars in it")
    assert "no stars" in unfit(dark, None, 8.0, "")
    odd = replace(round_stars, elongation=0.6, spread=0.7)
    assert "not shaped like stars" in unfit(dark, odd, None, "")
    assert unfit(dark, odd, 30.0, "") == ""  # trailed, and it is known why


# Whole folders

NIGHT = replace(TINY, seed=31, frames=3, width=480, height=360, focal=324.0, faintest=9.0)


def test_a_night_is_measured_as_it_was_made(tmp_path: Path) -> None:
    folder = simulated(tmp_path / "night", **vars(replace(NIGHT, cadence=60.0)))
    record = valid(inspect([folder], jobs=2))
    (group,) = record["groups"]
    assert (group["width"], group["height"], group["pattern"]) == (480, 360, "RGGB")
    assert (group["bits_used"], group["code_step"], group["white"]) == (12, 1, 4095)
    assert group["black"] == [256.0] * 4
    # EMVA Standard 1288: the simulated sensor's own gain and read noise.
    error = max(3 * group["noise"]["gain_error"], 0.05)
    assert group["noise"]["gain"] == pytest.approx(NIGHT.gain, abs=error)
    error = 3 * group["noise"]["read_noise_error_e"]
    assert group["noise"]["read_noise_e"] == pytest.approx(NIGHT.read_noise, abs=error)
    assert group["fwhm_px"] == pytest.approx(2.3548 * NIGHT.psf_sigma, rel=0.15)
    hot = json.loads((folder / "truth.json").read_text())["hot_pixels"]["x"]
    assert len(hot) / 3 < group["defects"] < 2 * len(hot)
    session = record["session"]
    assert session["cadence_s"] == 60
    assert session["turn_deg"] == pytest.approx(2 * 60 * 15.041 / 3600, rel=0.05)
    assert session["jumps"] == []
    assert [v["fit"] for v in record["verdicts"]] == [3]


@pytest.mark.slow
def test_a_nudge_is_found_where_it_was(tmp_path: Path) -> None:
    changes = {"frames": 5, "bump_frame": 3, "bump_degrees": 2.0, "cadence": 20.0}
    folder = simulated(tmp_path / "night", **{**vars(NIGHT), **changes})
    (jump,) = valid(inspect([folder]))["session"]["jumps"]
    assert jump["after"] == 2
    assert jump["px"] == pytest.approx(np.radians(2.0) * NIGHT.focal, rel=0.3)


def test_clouds_and_blur_are_told(tmp_path: Path) -> None:
    changes = {"frames": 4, "clear": (1.0, 0.0, 1.0, 1.0), "defocus": (0.0, 0.0, 0.0, 2.5)}
    folder = simulated(tmp_path / "night", **{**vars(NIGHT), **changes})
    rows = valid(inspect([folder]))["files"]
    fit = [row["fit"] for row in rows if row["kind"] == "light"]
    assert fit == [True, False, True, False]
    assert "stars in it" in rows[1]["reason"]
    assert "out of focus" in rows[3]["reason"]


def test_calibration_folders_are_what_they_are_named(tmp_path: Path) -> None:
    for name, kind in (("Darks", Calibration.DARK), ("offsets", Calibration.BIAS)):
        (tmp_path / name).mkdir()
        write_calibration(NIGHT, tmp_path / name, kind, 3)
    record = valid(inspect([tmp_path]))
    assert {v["kind"]: (v["count"], v["fit"]) for v in record["verdicts"]} == {
        "dark": (3, 3),
        "bias": (3, 3),
    }
    assert record["session"] is None
    # EMVA Standard 1288: temporal dark noise, here read noise and rounding.
    bias = next(group for group in record["groups"] if group["kind"] == "bias")
    true = np.hypot(NIGHT.read_noise / NIGHT.gain, np.sqrt(1 / 12))
    assert bias["dark_noise_adu"] == pytest.approx(true, rel=0.02)


def test_headers_alone_judge_nothing(small_night: Path) -> None:
    record = valid(headers([small_night]))
    assert record["measured"] is False
    assert {row["fit"] for row in record["files"]} == {None}
    assert record["groups"][0]["noise"] is None
    assert record["session"]["cadence_s"] == 20.0


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    (tmp_path / "darks").mkdir()
    write_calibration(TINY, tmp_path / "darks", Calibration.DARK, 1)
    with pytest.raises(InputError, match="nowhere"):
        inspect([tmp_path / "darks", tmp_path / "nowhere"])
