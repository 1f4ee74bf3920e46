"""Which frames are used, with what weight, and the reason when not."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import examples, star_table

from stackkit.align.matching import LEAST_PAIRS
from stackkit.align.register import Registration
from stackkit.grading.diagnosis import Cause
from stackkit.grading.grade import LEAST_WEIGHT, MOST_OFF, Grade, grade, unread
from stackkit.grading.indicators import sharpness
from stackkit.noise.photon_transfer import Noise
from stackkit.stars.first_check import FirstCheck
from stackkit.stars.measure import Measurement
from stackkit.stars.sky_mesh import Sky

NOISE = Noise(0.6, 2.0)
STARS = star_table(np.geomspace(1e4, 100, 60))
GEOMETRY = SimpleNamespace()  # not asked for anything here


def sky(green=60.0):
    return Sky(np.full((3, 4, 6), green, np.float32) * np.array([0.5, 1, 0.7])[:, None, None])


def session(
    tables=None,
    skies=None,
    light=None,
    residuals=None,
    pairs=None,
    unmatched_reasons=None,
    first_checks=None,
    scales=None,
    count=9,
    reference=2,
):
    """Grades of a session in which all is well but for what is given, by number."""

    def filled(usual, given):
        return [(given or {}).get(k, usual) for k in range(count)]

    everything = np.stack([np.arange(60)] * 2, axis=1)
    registration = Registration(
        reference,
        GEOMETRY,
        filled(everything, pairs),
        [None] * count,
        [None] * count,
        filled(0.05, residuals),
        [(0.05, 0.05, 0.05)] * count,
        [len(own) for own in filled(everything, pairs)],
        None,
        unmatched_reasons or {},
        [0.0] * count,
    )
    columns = (
        filled(STARS, tables),
        filled(sky(), skies),
        [NOISE] * count,
        filled(FirstCheck(0.0, 40), first_checks),
        filled(1.0, scales),
    )
    measurements = [Measurement(*one) for one in zip(*columns, strict=True)]
    return grade(measurements, filled(1.0, light), registration)


def scaled(**columns):
    """The usual stars with some columns multiplied."""
    return replace(STARS, **{name: getattr(STARS, name) * by for name, by in columns.items()})


def none_matched(number):
    return {
        "pairs": {number: np.zeros((0, 2), np.int64)},
        "residuals": {number: float("nan")},
        "light": {number: float("nan")},
    }


def test_a_good_session_is_used_whole():
    for found in session():
        assert found.used
        assert found.reason == ""
        assert found.weight == pytest.approx(1)
        assert found.stars == found.matched == 60
        assert found.fwhm == pytest.approx(2.5)
        assert found.sky == pytest.approx((30, 60, 42))


# Weights


@examples(40)
@given(light=st.floats(0.5, 1.0), green=st.floats(0, 300))
def test_weight_is_the_inverse_variance_of_a_star_s_light(light, green):
    """Scaled to the reference, samples are divided by the transparency, their variance twice.

    Inverse variances as weights give the least noise (Gauss-Markov).
    """
    found = session(light={4: light}, skies={4: sky(green)})
    variance = (0.6 * np.float32(green) + 2.0) / light**2
    assert found[4].weight == pytest.approx((0.6 * 60 + 2.0) / variance, rel=1e-5)
    assert found[2].weight == 1


def test_a_shorter_exposure_is_no_cloud():
    """Half the exposure, half the light and half the sky: nothing is wrong with it."""
    found = session(light={4: 0.5}, skies={4: sky(30.0)}, scales={4: 0.5})
    assert found[4].cause is Cause.NONE
    assert found[4].light == pytest.approx(1)
    assert found[4].weight == pytest.approx(0.25 * (0.6 * 60 + 2) / (0.6 * 30 + 2))


def place_error(widths, weights):
    """Variance of a star's place in a weighted sum, by numbers: 1 / ∫ f² |Σ w P|² over Σ w²."""
    f = np.linspace(0, 1.5, 4000)
    power = sum(w * np.exp(-2 * (np.pi * f * s) ** 2) for w, s in zip(weights, widths, strict=True))
    return np.sum(np.square(weights)) / np.trapezoid(f**3 * power**2, f)


@pytest.mark.parametrize("width", [0.8, 1.2, 1.6, 2.5, 4.0])
def test_a_blurred_frame_s_weight_makes_the_place_of_a_star_no_worse(width):
    """With the weight given it is more exact than without the frame, and near the best."""
    widths = [1.0] * 40 + [width]
    share = float(sharpness(np.array([width]), np.array([width]))[0])
    without = place_error(widths[:-1], [1.0] * 40)
    given = place_error(widths, [1.0] * 40 + [share])
    best = min(place_error(widths, [1.0] * 40 + [w]) for w in np.linspace(0, 2, 401))
    assert given < without
    assert without - given > 0.9 * (without - best)


def test_a_sky_darker_than_black_has_the_floor_s_variance():
    found = session(skies={0: sky(-5.0)})
    assert found[0].weight == pytest.approx((0.6 * 60 + 2) / 2)


@pytest.mark.filterwarnings("ignore:All-NaN slice")
def test_an_unknown_sky_does_not_end_in_nothing():
    found = session(skies={0: sky(np.nan)})
    assert np.isfinite(found[0].weight)
    assert found[0].weight > 0


# Reasons


def trailing(factor=6):
    """The usual stars drawn out in one direction."""
    return replace(scaled(fwhm=1.3, elongation=factor), angle=np.full(60, 0.7))


@pytest.mark.parametrize(
    ("change", "cause", "words"),
    [
        (
            {
                "tables": {1: star_table([])},
                "first_checks": {1: FirstCheck(0.0, 4)},
                **none_matched(1),
            },
            Cause.CLOUD,
            "no stars in it",
        ),
        (
            {
                "tables": {1: star_table([9.0] * (LEAST_PAIRS - 1))},
                "first_checks": {1: FirstCheck(0.0, 4)},
                **none_matched(1),
            },
            Cause.CLOUD,
            "only 5 stars",
        ),
        (
            {"tables": {1: star_table([])}, "skies": {1: sky(0.2)}, **none_matched(1)},
            Cause.COVERED,
            "lens covered: neither stars nor sky",
        ),
        (
            {
                "tables": {1: star_table([])},
                "first_checks": {k: FirstCheck(0.0, 36 if k == 1 else 40) for k in range(9)},
                **none_matched(1),
            },
            Cause.DEFOCUS,
            "out of focus; no stars",
        ),
        (
            {
                "tables": {1: star_table([])},
                "first_checks": {1: FirstCheck(0.6, 0)},
                **none_matched(1),
            },
            Cause.CLIPPED,
            "over-exposed: 60 % of the samples clipped",
        ),
        (none_matched(1), Cause.ELSEWHERE, "its 60 stars do not match the other frames"),
        (
            {**none_matched(1), "unmatched_reasons": {1: "it shows the sky in a mirror"}},
            Cause.ELSEWHERE,
            "in a mirror",
        ),
        ({"residuals": {1: 3.21}}, Cause.MOVED, "camera moved: its stars lie 3.2 px from where"),
        (
            {"residuals": {1: 3.21}, "tables": {1: trailing()}},
            Cause.TRAILED,
            "trailed: stars are streaks; they lie 3.2 px from where they should",
        ),
        ({"tables": {1: trailing()}}, Cause.TRAILED, "stars are streaks, whose light cannot be"),
        ({"light": {1: 0.04}}, Cause.CLOUD, "cloud: 96 % of the light lost; it would add next"),
        (
            {"tables": {1: scaled(fwhm=4)}},
            Cause.DEFOCUS,
            "out of focus: stars 4.0 times as wide as usual",
        ),
        ({"skies": {1: sky(6000.0)}}, Cause.TORCH, "the sky 100.0 times as bright as usual"),
    ],
)
@pytest.mark.filterwarnings("ignore:All-NaN slice")
def test_a_frame_that_is_left_out_has_its_reason(change, cause, words):
    found = session(**change)
    assert words in found[1].reason
    assert found[1].cause is cause
    assert not found[1].used
    assert found[1].weight == 0
    # The others do not suffer.
    assert all(other.used and not other.reason for k, other in enumerate(found) if k != 1)


@pytest.mark.parametrize(
    ("change", "cause", "words"),
    [
        ({"light": {1: 0.35}}, Cause.CLOUD, "cloud: 65 % of the light lost; weight 0.12"),
        (
            {"light": dict.fromkeys(range(5, 9), 0.7)},
            Cause.HAZE,
            "haze: 30 % of the light lost; weight 0.49",
        ),
        ({"tables": {4: scaled(fwhm=1.5)}}, Cause.DEFOCUS, "1.5 times as wide as usual; weight"),
        ({"tables": {4: trailing(3)}}, Cause.SHAKEN, "shaken: stars are elongated"),
        ({"skies": {4: sky(600.0)}}, Cause.TORCH, "10.0 times as bright as usual; weight 0.1"),
        (
            {"skies": {k: sky(60.0 * (k - 3)) for k in range(5, 9)}},
            Cause.GLOW,
            "moonlight or twilight: the sky",
        ),
        (
            {
                "light": {5: 0.9, 6: 0.8, 7: 0.7, 8: 0.6},
                "tables": {k: scaled(fwhm=0.4 + 0.15 * k) for k in range(5, 9)},
            },
            Cause.DEW,
            "dew: ",
        ),
    ],
)
def test_a_frame_that_counts_less_has_its_reason(change, cause, words):
    found = session(**change)
    struck = sorted(next(iter(change.values())))
    last = found[struck[-1]]
    assert last.used
    assert last.cause is cause
    assert words in last.reason
    assert last.weight < 0.9
    assert all(not other.reason for k, other in enumerate(found) if k not in struck)


def test_a_field_that_sets_is_not_called_cloud():
    """Light that goes slowly through the whole session, as the air grows thicker."""
    found = session(light={k: 1.0 - 0.03 * k for k in range(12)}, count=12, reference=0)
    assert found[-1].cause is Cause.LOW
    assert "33 % of the light lost" not in found[0].reason
    assert Cause.CLOUD not in {one.cause for one in found}
    struck = session(
        light={k: (0.5 if k == 6 else 1.0) * (1.0 - 0.03 * k) for k in range(12)},
        count=12,
        reference=0,
    )
    assert struck[6].cause is Cause.CLOUD


def test_what_varies_all_night_is_not_worth_a_word():
    """In wind all stars are now sharper, now wider: thresholds are the session's own."""
    widths = [1.0, 1.2, 1.05, 1.25, 1.0, 1.22, 1.04]
    assert not any(
        one.reason for one in session(tables={k: scaled(fwhm=w) for k, w in enumerate(widths)})
    )


@pytest.mark.parametrize(
    "change",
    [
        {"residuals": {1: 0.99 * MOST_OFF}},
        {"light": {1: 1.01 * np.sqrt(LEAST_WEIGHT)}},
        {"tables": {1: scaled(fwhm=2.2)}},
        {"tables": {1: scaled(elongation=3)}},
        {"tables": {1: scaled(fwhm=0.4)}},
        {
            "tables": {1: star_table([900.0] * LEAST_PAIRS)},
            "pairs": {1: np.stack([np.arange(LEAST_PAIRS)] * 2, axis=1)},
        },
    ],
)
def test_a_frame_within_the_limits_stays(change):
    assert all(found.used for found in session(**change))


def test_uncertain_stars_may_lie_farther_off():
    """Under a city sky centroids are good to a third of a pixel: 1.2 px off is four times that."""
    faint = scaled(sigma_xy=6)
    assert session(tables={1: faint}, residuals={1: 1.1})[1].used
    assert not session(tables={1: faint}, residuals={1: 1.3})[1].used


def test_the_reference_is_always_used():
    found = session(tables={2: scaled(fwhm=3)}, residuals={2: 9.0}, light={2: 0.01})
    assert found[2].used
    assert found[2].weight == 1


def test_limits_are_beside_the_session_not_beside_a_number():
    """A soft lens, or a long lens in bad air: all frames alike are all used."""
    soft = {k: scaled(fwhm=4, elongation=5) for k in range(9)}
    assert all(found.used for found in session(tables=soft))


def test_saturated_stars_do_not_tell_the_width():
    bloated = replace(
        STARS,
        fwhm=np.where(np.arange(60) < 20, 9.0, 2.5),
        saturated=np.arange(60) < 20,
    )
    assert session(tables={1: bloated})[1].fwhm == pytest.approx(2.5)


def test_a_single_frame_is_used_as_it_is():
    (found,) = grade([Measurement(STARS, sky(), NOISE)], [1.0], None)
    assert found == Grade(True, 1.0, stars=60, fwhm=2.5, sky=found.sky, clipped=0.0)


def test_what_could_not_be_measured_is_none():
    found = session(tables={1: star_table([])}, **none_matched(1))[1]
    assert found.stars == found.matched == 0
    assert found.fwhm is None
    assert found.residual is None
    assert found.transparency is None


def test_a_file_that_gave_nothing_has_its_reason():
    assert unread("cut short") == Grade(False, 0.0, "cut short", Cause.UNREAD)
