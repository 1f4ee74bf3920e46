import numpy as np
import pytest

from stackkit.align.pairing import candidates, static_flags
from stackkit.align.register import register
from stackkit.simulate import Night
from stackkit.simulate.night import mid_time
from stackkit.simulate.sky import catalogue, pixels
from stackkit.stars.detect import Stars

SIZE = (1000, 750)


def table(xy, fwhm=2.0):
    n = len(xy)
    flux = np.linspace(1000, 100, n) if n else np.zeros(0)
    return Stars(
        xy[:, 0],
        xy[:, 1],
        np.full(n, 0.1),
        flux,
        np.full(n, fwhm),
        np.zeros(n),
        np.zeros(n, bool),
        np.zeros(n),
    )


def tables(night, extra=None, stars=120, noise=0.1):
    rng = np.random.default_rng(night.seed)
    made = []
    for k in range(night.frames):
        xy = pixels(night, catalogue(night).direction, k, mid_time(night, k))
        inside = ((xy > 0) & (xy < SIZE)).all(axis=1)
        xy = xy[inside][:stars]
        xy = xy + rng.normal(0, noise, xy.shape)
        made.append(table(xy if extra is None else np.concatenate([extra, xy])))
    return made


def night(**changes):
    settings = {"frames": 9, "width": SIZE[0], "height": SIZE[1], "focal": 675.0, "faintest": 7.5}
    return Night(**{**settings, "cadence": 40.0, **changes})


def true_error(found, sky, k):
    reference = found.reference
    directions = catalogue(sky).direction
    there = pixels(sky, directions, reference, mid_time(sky, reference))
    here = pixels(sky, directions, k, mid_time(sky, k))
    inside = ((there > 0) & (there < SIZE) & (here > 0) & (here < SIZE)).all(axis=1)
    away = found.mappings[k].to_reference(here[inside]) - there[inside]
    return float(np.median(np.hypot(away[:, 0], away[:, 1])))


def test_the_reference_is_sharp_rich_and_central():
    rng = np.random.default_rng(0)
    many, few = rng.uniform(0, 700, (300, 2)), rng.uniform(0, 700, (40, 2))
    assert candidates([table(many)] * 5, None)[0] == 2
    assert candidates([table(many), table(many), table(few), table(many)], None)[0] in (1, 3)
    assert candidates([table(many, 4.0), table(many), table(many, 4.0)], None)[0] == 1
    assert candidates([table(many[:0]), table(few), table(many[:0])], None)[0] == 1


@pytest.mark.parametrize("focal", [675.0, None])
def test_every_frame_of_a_night_is_placed(focal):
    sky = night(seed=21, frames=7)
    found = register(tables(sky), SIZE, focal)
    assert all(m is not None for m in found.mappings)
    assert max(true_error(found, sky, k) for k in range(sky.frames)) < 0.05
    assert max(found.residuals) < 0.3


def test_lamps_do_not_hold_the_sky():
    """More lamps than stars, brighter, at the same place in each frame: a perfect zero motion."""
    sky = night(seed=22)
    lamps = np.random.default_rng(1).uniform([0, 600], [1000, 740], (200, 2))
    found = register(tables(sky, extra=lamps), SIZE, 675.0)
    assert max(true_error(found, sky, k) for k in range(sky.frames)) < 0.05


def test_static_detections_are_flagged_and_stars_are_not():
    sky = night(seed=22)
    lamps = np.random.default_rng(1).uniform([0, 600], [1000, 740], (30, 2))
    flags = static_flags(tables(sky, extra=lamps))
    assert all(flag[:30].mean() > 0.95 for flag in flags)
    assert all(flag[30:].mean() < 0.1 for flag in flags)


def test_a_sky_that_does_not_move_is_still_placed():
    """Copies of one frame, or a lens too short for any turning to be seen."""
    one = tables(night(seed=23))[4]
    found = register([one] * 4, SIZE, None)
    assert all(m is not None for m in found.mappings)
    there = found.mappings[0].from_reference(one.xy)
    assert np.abs(there - one.xy).max() < 0.01


def test_a_frame_of_another_sky_has_no_mapping():
    sky = night(seed=24)
    frames = tables(sky)
    frames[3] = tables(night(seed=99))[0]
    found = register(frames, SIZE, 675.0)
    assert found.mappings[3] is None
    assert np.isnan(found.residuals[3])
    assert sum(m is not None for m in found.mappings) == 8


def test_frames_turned_by_ninety_degrees_are_placed():
    sky = night(seed=25)
    frames = tables(sky)
    other = tables(night(seed=25, roll=90.0))
    found = register([*frames[:5], *other[5:]], SIZE, 675.0)
    assert sum(m is not None for m in found.mappings) == 9
    assert max(r for r in found.residuals) < 0.4


def test_a_frame_that_no_lens_explains_falls_back_to_a_plane():
    """A frame cropped and scaled by the phone: no rotation does that."""
    sky = night(seed=26)
    frames = tables(sky)
    shifted = (frames[7].xy - 500.0) * [1.01, 0.985] + 500.0 + [18.0, -11.0]
    frames[7] = table(shifted)
    found = register(frames, SIZE, 675.0)
    assert found.mappings[7] is not None
    assert found.models[7] in ("homography", "quadratic")
    assert found.models.count("camera") == 8
    assert found.residuals[7] < 0.5
    assert max(true_error(found, sky, k) for k in (0, 3, 8)) < 0.06
