"""Which frames are used, with what weight, and the reason when not."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import examples, star_table

from stackkit.grade import LEAST_LIGHT, MOST_BLUR, MOST_OFF, Grade, grade, unread
from stackkit.matching import LEAST_PAIRS
from stackkit.noise import Noise
from stackkit.normalise import Sky
from stackkit.register import Registration

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
    strays=None,
    count=5,
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
        strays or {},
        [0.0] * count,
    )
    return grade(
        filled(STARS, tables), filled(sky(), skies), filled(1.0, light), NOISE, registration
    )


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
@given(light=st.floats(LEAST_LIGHT, 1.5), green=st.floats(0, 3000))
def test_weight_is_the_inverse_variance_of_a_star_s_light(light, green):
    """Scaled to the reference, samples are divided by the transparency, their variance twice.

    Inverse variances as weights give the least noise (Gauss-Markov).
    """
    found = session(light={4: light}, skies={4: sky(green)})
    variance = (0.6 * np.float32(green) + 2.0) / light**2
    assert found[4].weight == pytest.approx((0.6 * 60 + 2.0) / variance, rel=1e-5)
    assert found[2].weight == 1


def test_a_sky_darker_than_black_has_the_floor_s_variance():
    found = session(skies={0: sky(-5.0)})
    assert found[0].weight == pytest.approx((0.6 * 60 + 2) / 2)


@pytest.mark.filterwarnings("ignore:All-NaN slice")
def test_an_unknown_sky_does_not_end_in_nothing():
    found = session(skies={0: sky(np.nan)})
    assert np.isfinite(found[0].weight)
    assert found[0].weight > 0


# Reasons


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"tables": {1: star_table([])}, **none_matched(1)}, "no stars in it"),
        ({"tables": {1: star_table([9.0] * (LEAST_PAIRS - 1))}, **none_matched(1)}, "only 5 stars"),
        (none_matched(1), "its 60 stars do not match the other frames"),
        ({"residuals": {1: 3.21}}, "3.2 px from where they should"),
        ({"light": {1: 0.04}}, "only 4 % of the light"),
        (
            {"tables": {1: scaled(fwhm=2)}},
            "blurred: stars 5.0 px wide, 2.0 times the usual: out of",
        ),
        ({"tables": {1: scaled(fwhm=2, elongation=6)}}, "shaken during the exposure"),
    ],
)
def test_a_frame_that_is_left_out_has_its_reason(change, words):
    found = session(**change)
    assert words in found[1].reason
    assert not found[1].used
    assert found[1].weight == 0
    # The others do not suffer.
    assert all(other.used for k, other in enumerate(found) if k != 1)


@pytest.mark.parametrize(
    "change",
    [
        {"residuals": {1: 0.99 * MOST_OFF}},
        {"light": {1: 1.01 * LEAST_LIGHT}},
        {"tables": {1: scaled(fwhm=0.99 * MOST_BLUR)}},
        {"tables": {1: scaled(elongation=9)}},  # drawn out, but no wider
        {"tables": {1: scaled(fwhm=0.4)}},
        {"tables": {1: star_table([900.0] * LEAST_PAIRS)}},
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
    assert found[2].reason == ""


def test_limits_are_beside_the_session_not_beside_a_number():
    """A soft lens, or a long lens in bad air: all frames alike are all used."""
    soft = {k: scaled(fwhm=4, elongation=5) for k in range(5)}
    assert all(found.used for found in session(tables=soft))


def test_saturated_stars_do_not_tell_the_width():
    bloated = replace(
        STARS,
        fwhm=np.where(np.arange(60) < 20, 9.0, 2.5),
        saturated=np.arange(60) < 20,
    )
    assert session(tables={1: bloated})[1].fwhm == pytest.approx(2.5)


def test_a_single_frame_is_used_as_it_is():
    (found,) = grade([STARS], [sky()], [1.0], NOISE, None)
    assert found == Grade(True, 1.0, stars=60, fwhm=2.5, sky=found.sky)


def test_what_could_not_be_measured_is_none():
    found = session(tables={1: star_table([])}, **none_matched(1))[1]
    assert found.stars == found.matched == 0
    assert found.fwhm is None
    assert found.residual is None
    assert found.transparency is None


def test_a_file_that_gave_nothing_has_its_reason():
    assert unread("cut short") == Grade(False, 0.0, "cut short")
