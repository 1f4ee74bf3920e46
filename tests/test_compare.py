"""Comparing methods: figures that need no truth, held against nights whose truth is known."""

from __future__ import annotations

import json
from functools import lru_cache

import numpy as np
import pytest
from benchmarks import measures
from command_line import fault, good, names
from grids import corners
from jsonschema import Draft202012Validator
from scipy.ndimage import gaussian_filter
from stackkit_cli import options

from stackkit.compare import chosen, compare
from stackkit.compare.advice import advice, scored
from stackkit.compare.figures import figures
from stackkit.compare.places import HEIGHT, WIDTH, places
from stackkit.compare.yardstick import Yardstick
from stackkit.errors import InputError, UsageError
from stackkit.integration.methods import METHODS, Samples
from stackkit.noise.photon_transfer import block_means, block_noise
from stackkit.pipeline import BY_SAMPLE
from stackkit.record.file import plain
from stackkit.schemas.comparison import ComparisonRecord
from stackkit.schemas.fields import schema_of
from stackkit.stars.detect import Stars
from stackkit.stars.photometry import cores, light, measurable, widths

FRAMES = 9


def validated(record):
    Draft202012Validator(schema_of(ComparisonRecord)).validate(plain(record))
    return record


@pytest.fixture(scope="module")
def comparison(small_night):
    return compare([small_night])


@lru_cache
def noisy(seed, frames=FRAMES, shape=(240, 320)):
    """Frames of an even sky with trails, combined by every method; (values by name, truth)."""
    rng = np.random.default_rng(seed)
    cube = rng.normal(100, 5, (frames, 3, *shape)).astype(np.float32)
    flat = cube.reshape(frames, -1)
    held = Samples(
        flat,
        np.full_like(flat, 25.0),
        np.ones(frames, np.float32),
        np.zeros(flat.shape[1], np.float32),
    )
    return {n: m.function(held)[0].reshape(3, *shape) for n, m in METHODS.items()}


def yardstick(value, noise, frames=FRAMES, **more):
    """A yardstick of an even sky, its noise as measured on blocks."""
    given = {
        "value": value,
        "variance": np.full(3, 25.0 / frames),
        "noise_frame": np.full(3, 5.0 / 8),
        "noise": noise,
        "mean": value,
        "stars": np.zeros((0, 2)),
        "width_frame": 2.5,
        "paths": [],
        "left": 0.0,
        "tracks": np.zeros((0, frames, 2)),
        "colours": np.zeros(0, dtype=np.int64),
        "starry": np.zeros(value.shape[1:], dtype=bool),
        "frames": frames,
    }
    return Yardstick(**{**given, **more})


@pytest.mark.parametrize("name", corners(METHODS, ["median", "sigma-clip", "tukey"]))
def test_the_noise_of_a_method_is_the_yardstick_s_and_the_difference_s(name):
    """Basu 1955: for Gaussian noise the two are independent.  Held against the noise itself, which
    only the test knows, by its own measure.
    """
    gains, truly = [], []
    for seed in range(4):
        made = noisy(seed)
        base = np.array(block_noise(block_means(made["mean"])))
        gains.append(figures(made[name], yardstick(made["mean"], base))["noise_gain"])
        known = measures.block_noise(made[name][1], np.zeros(made[name].shape[1:], dtype=bool))
        truly.append(5.0 / 8 / known)
    assert np.mean(gains) == pytest.approx(np.mean(truly), rel=0.04)


def test_what_is_left_of_a_trail_is_a_share_of_the_mean_s():
    made = noisy(1)
    clean = made["mean"]
    y, x = np.mgrid[:240, :320]
    trail = np.exp(-0.5 * ((y - 60 - 0.4 * x) / 1.2 * 0.93) ** 2)
    path = np.stack([np.arange(20, 300), 60 + 0.4 * np.arange(20, 300)], axis=1)
    noise = np.full(3, 5 / 8 / 3)
    for left in (0.0, 0.02, 0.3, 1.0):
        given = {"mean": clean + 20 * trail, "paths": [path]}
        found = figures(
            (clean + left * 20 * trail).astype(np.float32), yardstick(clean, noise, **given)
        )
        assert found["trail_left"] == pytest.approx(left, abs=1e-4)
    own = yardstick(clean, noise, mean=clean + 0.9 * 20 * trail, paths=[path], left=0.1)
    assert figures(clean, own)["trail_left"] == pytest.approx(0.1)


def star_picture(xy, fwhm, flux=900.0):
    y, x = np.mgrid[:200, :260]
    s = fwhm / 2.3548
    plane = np.full((200, 260), 50.0)
    for a, b in xy:
        plane += flux * np.exp(-0.5 * ((x - a) ** 2 + (y - b) ** 2) / s**2)
    return plane.astype(np.float32)


@pytest.mark.parametrize("fwhm", [2.3, 2.8, 3.5])
def test_star_widths_are_those_of_another_measure(fwhm):
    """Held against the benchmark's elliptical moments, and the width put in."""
    xy = np.random.default_rng(2).uniform(0, 1, (12, 2)) + [
        [40 + 45 * (k % 4), 40 + 50 * (k // 4)] for k in range(12)
    ]
    plane = star_picture(xy, fwhm)
    found = widths(plane, xy)
    np.testing.assert_allclose(found, measures.moments(plane, xy)[1], rtol=0.02)
    np.testing.assert_allclose(found, fwhm, rtol=0.02)
    np.testing.assert_allclose(light(plane, xy)[0], light(plane, xy), rtol=0.05)
    assert (cores(plane, xy) > 0.3 * light(plane, xy)).all()


def test_stars_that_are_a_measure_stand_alone():
    x = np.array([50.0, 55.0, 120.0, 180.0, 4.0])
    stars = Stars(
        x=x,
        y=np.full(5, 80.0),
        sigma_xy=np.full(5, 0.02),
        flux=np.array([9.0, 8.0, 7.0, 6.0, 5.0]),
        fwhm=np.full(5, 2.5),
        elongation=np.zeros(5),
        saturated=np.array([False, False, False, True, False]),
        angle=np.zeros(5),
    )
    assert measurable(stars, (200, 260)).x.tolist() == [120.0]


def test_every_method_of_a_night(comparison):
    record = validated(comparison.record)
    assert {row["name"] for row in record["methods"]} == {"by-sample", *METHODS}
    scores = [row["score"] for row in record["methods"]]
    assert scores == sorted(scores, reverse=True)
    assert scores[0] == 1
    rows = {row["name"]: row for row in record["methods"]}
    assert rows["maximum"]["noise_gain"] < rows["median"]["noise_gain"] < rows["mean"]["noise_gain"]
    assert rows["mean"]["colour_shift"] == [0, 0]
    assert rows["mean"]["core_bias"] == 0
    assert record["convergence"][0] == {"frames": 1, "noise_gain": 1.0}
    assert record["frames"]["used"] == record["convergence"][-1]["frames"] == 6
    for place in record["crops"]:
        assert set(place["pictures"].values()) <= set(comparison.crops)


def test_one_pass_gives_what_each_alone_gives(small_night, comparison):
    """The stack that is kept is the one that ``stack`` makes."""
    import stackkit

    kept = compare([small_night], ["median", "mean"], keep="median").kept
    alone = stackkit.stack([small_night], stackkit.Options(method="median"))
    assert np.array_equal(kept.stack.value, alone.stack.value, equal_nan=True)
    assert np.array_equal(kept.stack.variance, alone.stack.variance, equal_nan=True)
    once, twice = ({**r, "timing": 0} for r in (plain(kept.record), plain(alone.record)))
    assert once == twice
    assert comparison.kept is None


@pytest.mark.slow
def test_threads_change_nothing(small_night, comparison):
    import stackkit

    other = compare([small_night], options=stackkit.Options(jobs=3))
    assert other.crops == comparison.crops
    strip = [
        [{k: v for k, v in row.items() if k != "seconds"} for row in c.record["methods"]]
        for c in (other, comparison)
    ]
    assert strip[0] == strip[1]


@pytest.mark.parametrize(
    ("wanted", "told"),
    [
        (["medain"], "Did you mean “median”"),
        (["mean", "mean"], "named twice"),
    ],
)
def test_names_that_make_no_sense(wanted, told):
    with pytest.raises(UsageError, match=told):
        chosen(wanted)


def test_what_is_not_compared_cannot_be_kept(small_night):
    with pytest.raises(UsageError, match="not among the methods"):
        compare([small_night], ["mean"], keep="median")


def test_one_frame_is_nothing_to_compare(small_night, tmp_path):
    (tmp_path / "one.dng").write_bytes((small_night / "night_0001.dng").read_bytes())
    with pytest.raises(InputError, match="nothing to combine"):
        compare([tmp_path])


@pytest.mark.parametrize("frames", corners((2, 3), [2]))
def test_few_frames(small_night, tmp_path, frames):
    for k in range(1, frames + 1):
        name = f"night_{k:04d}.dng"
        (tmp_path / name).write_bytes((small_night / name).read_bytes())
    record = validated(compare([tmp_path]).record)
    assert record["frames"]["used"] == frames
    assert all(np.isfinite(row["noise_gain"]) for row in record["methods"])


def test_advice_prefers_the_least_error_and_says_why():
    row = {"noise_gain": 4.8, "noise_share": 0.98, "trail_left": 0.0, "rejected_share": 0.0}
    rows = scored(
        [
            {**row, "name": "mean", "trail_left": 1.0},
            {**row, "name": "best"},
            {**row, "name": "like it"},
            {**row, "name": "median", "noise_gain": 4.0},
        ],
        [1.5, 1.0, 1.01, 1.25],
    )
    told = advice(rows, 24, 3)
    assert told["method"] == "best"
    assert told["as_good"] == ["like it"]
    text = " ".join(told["reasons"])
    assert "3 trails crossed" in text
    assert "“mean” keeps 100 % of the trails." in text
    assert "“median” has 20 % more noise." in text


def test_places_lie_inside_and_show_what_they_say():
    rng = np.random.default_rng(4)
    value = rng.normal(100, 2, (3, 400, 600)).astype(np.float32)
    y, x = np.mgrid[:400, :600]
    value += 0.02 * x + gaussian_filter(60.0 * (np.hypot(x - 450, y - 280) < 60), 20)
    n = 60
    at = rng.uniform([100, 100], [180, 160], (n, 2))
    stars = Stars(
        x=np.append(at[:, 0], 500.0),
        y=np.append(at[:, 1], 60.0),
        sigma_xy=np.full(n + 1, 0.1),
        flux=np.append(np.full(n, 10.0), 99.0),
        fwhm=np.full(n + 1, 2.5),
        elongation=np.zeros(n + 1),
        saturated=np.zeros(n + 1, dtype=bool),
        angle=np.zeros(n + 1),
    )
    coverage = np.full((400, 600), 9, np.int16)
    found = {p.key: p for p in places(value, coverage, stars, np.array([590.0, 5.0]))}
    assert set(found) == {"star-field", "trail", "faint", "corner", "bright-star"}
    for place in found.values():
        assert 0 <= place.left <= 600 - WIDTH
        assert 0 <= place.top <= 400 - HEIGHT
    middle = {k: (p.left + WIDTH / 2, p.top + HEIGHT / 2) for k, p in found.items()}
    assert np.hypot(middle["star-field"][0] - 140, middle["star-field"][1] - 130) < 60
    assert np.hypot(middle["faint"][0] - 450, middle["faint"][1] - 280) < 40
    assert middle["bright-star"] == (500, 60)
    assert places(value[:, :100], coverage[:100], stars, None) == []


# The command


def test_the_help_names_the_methods_there_are():
    assert options.METHODS.split(", ") == [BY_SAMPLE, *METHODS]


def test_the_command_writes_page_record_and_crops(small_night, tmp_path):
    out = tmp_path / "compared"
    done = good("compare", small_night, "--methods", "by-sample, mean,median", "--out", out)
    assert "by-sample" in done
    assert all(len(line) <= 80 for line in done.splitlines() if "compare.html" not in line)
    assert names(out) == ["compare.html", "compare.json", "crops"]
    record = validated(json.loads((out / "compare.json").read_text()))
    crops = {name for place in record["crops"] for name in place["pictures"].values()}
    assert set(names(out / "crops")) == crops
    assert len(crops) >= 3
    assert "already has a comparison" in fault(2, "compare", small_night, "--out", out)
    again = ["--methods", "mean", "--keep", "mean", "--json", "--force"]
    said = good("compare", small_night, *again, "--out", out)
    assert validated(json.loads(said)) == json.loads((out / "compare.json").read_text())
    assert {"stack.fits", "stack.tif", "run.json", "compare.json"} <= set(names(out))


def test_wrong_usage_leaves_nothing(small_night, tmp_path):
    for wrong in (["--methods", "magic"], ["--methods", "mean", "--keep", "median"]):
        assert "Traceback" not in fault(
            2, "compare", small_night, *wrong, "--out", tmp_path / "new"
        )
        assert not (tmp_path / "new").exists()
