from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import approx_fprime, least_squares

from stackkit.align.bundle import Observations, Start, solve
from stackkit.align.lens_choice import begun
from stackkit.align.lens_start import first_lens
from stackkit.geometry.jacobians import pixel_jacobians, tangents
from stackkit.geometry.lens import SIDEREAL, Lens, Projection, project, reaching, unproject
from stackkit.geometry.rotation import rotation, rotation_angle
from stackkit.raw.opcodes.apply import LensHint
from stackkit.simulate import Night, frame_lens, frame_matrix
from stackkit.simulate.night import mid_time
from stackkit.simulate.sky import catalogue, pixels

SIZE = (1000, 750)


def observed(night, reference, stars=150, noise=0.1, seed=0):
    """True places of the brightest stars of a night, with centroid noise."""
    rng = np.random.default_rng(seed)
    first = pixels(night, catalogue(night).direction, reference, mid_time(night, reference))
    margin = [60, 60]
    inside = ((first > margin) & (first < np.array(SIZE) - margin)).all(axis=1)
    chosen = np.nonzero(inside)[0][:stars]
    frame, star, xy = [], [], []
    for k in range(night.frames):
        place = pixels(night, catalogue(night).direction[chosen], k, mid_time(night, k))
        frame.append(np.full(len(chosen), k))
        star.append(np.arange(len(chosen)))
        xy.append(place + rng.normal(0, noise, place.shape))
    columns = np.concatenate(frame), np.concatenate(star), np.concatenate(xy)
    return Observations(*columns, np.full(len(columns[0]), noise))


def started(first, frames, reference, size=SIZE):
    lens, prior = first
    return Start(lens, prior, np.tile(np.eye(3), (frames, 1, 1)), reference, size)


def solved(seen, first, frames, reference):
    return solve(seen, begun(seen, started(first, frames, reference)))


def small(**changes):
    settings = {"frames": 12, "width": SIZE[0], "height": SIZE[1], "focal": 675.0}
    return Night(**{**settings, "star_density": 1.0, "faintest": 8.0, "cadence": 40.0, **changes})


def map_errors(geometry, night, reference, k):
    """Distances of true places, carried back by the mapping, from where they should be."""
    directions = catalogue(night).direction
    there = pixels(night, directions, reference, mid_time(night, reference))
    here = pixels(night, directions, k, mid_time(night, k))
    # Where there were stars to learn from.
    inside = ((there > 60) & (there < np.array(SIZE) - 60)).all(axis=1)
    away = geometry.mapping(k, reference).to_reference(here[inside]) - there[inside]
    return np.hypot(away[:, 0], away[:, 1])


@pytest.mark.parametrize("projection", list(Projection))
@pytest.mark.parametrize("place", [[130.0, 640.0], [489.9, 380.2]], ids=["corner", "axis"])
def test_jacobians_equal_finite_differences(projection, place):
    """Against scipy's forward differences, every unknown, refraction included."""
    up = np.array([0.1, -0.7, np.sqrt(0.5)])
    across = tangents(up[None])[0]
    bent = (-0.1, 0.03, 0.01, 1e-3, -5e-4)
    lens = Lens(800.0, 490.0, 380.0, *bent, air=3e-4, zenith=tuple(up), projection=projection)
    lens = reaching(lens, *SIZE)
    direction = unproject(lens, [place])[0]
    by_lens, by_direction = pixel_jacobians(lens, lens.f, across, direction[None])

    def moved(p):
        changed = replace(
            lens,
            f=800.0 * np.exp(p[0]),
            cx=490.0 + 800 * p[1],
            cy=380.0 + 800 * p[2],
            **{
                k: b + d
                for k, b, d in zip(("k1", "k2", "k3", "p1", "p2"), bent, p[3:8], strict=True)
            },
            zenith=tuple(up + across @ p[8:10]),
            air=3e-4 * np.exp(p[10]),
        )
        return project(changed, direction)

    for axis in (0, 1):
        numeric = approx_fprime(np.zeros(11), lambda p, a=axis: moved(p)[a], 1e-6)
        assert by_lens[0, axis] == pytest.approx(numeric, rel=2e-4, abs=1e-2)
        numeric = approx_fprime(
            direction, lambda d, a=axis: project(lens, d / np.linalg.norm(d))[a], 1e-7
        )
        # Along the direction itself nothing is asked: a star has no length.
        square = by_direction[0, axis] - (by_direction[0, axis] @ direction) * direction
        assert square == pytest.approx(numeric, rel=2e-4, abs=2e-2)


POLAR = {"seed": 6, "k1": -0.22, "k2": 0.05, "focal": 450.0, "altitude": 50.0, "azimuth": 0.0}


@pytest.mark.parametrize(
    ("night", "known"),
    [
        (small(seed=5), True),
        (small(seed=5), False),
        (small(**POLAR), True),
        pytest.param(small(**POLAR), False, marks=pytest.mark.slow),
    ],
    ids=["wide-True", "wide-False", "around the pole-True", "around the pole-False"],
)
def test_one_lens_and_its_turns_explain_a_night(night, known):
    reference = 6
    seen = observed(night, reference)
    start, prior = first_lens(*SIZE, 1.02 * night.focal if known else None)
    found = solved(seen, (start, prior), night.frames, reference)
    for k in (0, 3, 11):
        errors = map_errors(found, night, reference, k)
        assert np.median(errors) < 0.03
        assert np.quantile(errors, 0.99) < 0.15
    # Around the pole the turning says little of the focal length; the uncertainty knows.
    assert abs(np.log(found.lens.f / frame_lens(night).f)) < 4 * found.focal_sigma
    assert found.focal_sigma < (0.3 if night.altitude > 45 else 0.01)


def test_turns_are_the_sidereal_ones():
    """86164.0905 s a turn (IAU), without refraction, which compresses the sky a little."""
    night = small(seed=8, refraction=False)
    found = solved(observed(night, 6), first_lens(*SIZE, night.focal), 12, 6)
    for k in (0, 3, 11):
        angle = SIDEREAL * abs(k - 6) * night.cadence
        within = 4 * found.focal_sigma
        assert within < 0.03
        assert rotation_angle(found.rotations[k]) == pytest.approx(angle, rel=within)
        assert np.abs(found.rotations[k] - frame_matrix(night, k, 6)).max() < within * angle


def test_a_bump_and_wind_are_rotations_too():
    night = small(seed=9, wind=0.8, bump_frame=5, bump_degrees=2.0)
    found = solved(observed(night, 6), first_lens(*SIZE, night.focal), 12, 6)
    for k in (0, 4, 5, 11):
        assert np.median(map_errors(found, night, 6, k)) < 0.05


def test_gross_errors_do_not_pull():
    night = small(seed=5)
    seen = observed(night, 6)
    rng = np.random.default_rng(1)
    wrong = rng.random(len(seen.xy)) < 0.1
    bad = seen.xy + wrong[:, None] * rng.normal(0, 5, seen.xy.shape)
    spoiled = Observations(seen.frame, seen.star, bad, seen.sigma)
    found = solved(spoiled, first_lens(*SIZE, night.focal), 12, 6)
    assert np.median(map_errors(found, night, 6, 0)) < 0.05


def test_six_stars_and_two_frames_are_enough_with_a_known_lens():
    night = small(seed=5, frames=2, cadence=60.0)
    found = solved(observed(night, 0, stars=6), first_lens(*SIZE, night.focal), 2, 0)
    assert np.median(map_errors(found, night, 0, 1)) < 0.3


def test_uncertainty_of_the_focal_length_equals_scipy():
    """scipy.optimize.least_squares on the same problem, all unknowns together, J^T J inverted."""
    night = small(seed=5, frames=4, cadence=300.0)
    seen = observed(night, 0, stars=25)
    start, prior = first_lens(*SIZE, night.focal)
    found = solved(seen, (start, prior), 4, 0)
    sigma = np.hypot(seen.sigma, 0.02)
    own = unproject(found.lens, seen.xy[seen.frame == 0])
    priors = np.array([prior, 0.02, 0.02, 0.3, 0.2, 0.01, 0.01])

    def residuals(p):
        lens = Lens(
            start.f * np.exp(p[0]), start.cx + start.f * p[1], start.cy + start.f * p[2],
            p[3], p[4], 0.0, p[5], p[6],
        )  # fmt: skip
        stars = own + p[16:].reshape(-1, 3)
        turns = [np.eye(3), *(rotation(v) for v in p[7:16].reshape(3, 3))]
        rays = np.array([turns[k] @ stars[j] for k, j in zip(seen.frame, seen.star, strict=True)])
        away = (project(lens, rays) - seen.xy) / sigma[:, None]
        length = (np.linalg.norm(stars, axis=1) - 1) * 1e4
        return np.concatenate([away.ravel(), p[:7] / priors, length])

    begin = np.zeros(16 + own.size)
    answer = least_squares(residuals, begin, method="trf", x_scale="jac", max_nfev=60)
    theirs = np.sqrt(np.linalg.inv(answer.jac.T @ answer.jac)[0, 0])
    assert found.focal_sigma == pytest.approx(theirs, rel=0.1)
    assert found.lens.f == pytest.approx(start.f * np.exp(answer.x[0]), rel=0.5 * theirs)


@pytest.mark.parametrize("fisheye", [False, True])
def test_a_files_word_on_the_lens_is_the_start(fisheye):
    """DNG 1.7.1, WarpRectilinear and WarpFisheye: from the corrected to the recorded picture."""
    unit, centre, focal = 1000.0, (510.0, 380.0), 800.0
    radial = (1.0, -0.08, 0.02, 0.0) if not fisheye else (1.02, -0.02, 0.004, 0.0)
    hint = LensHint(fisheye, radial, (0.0, 0.0), centre, unit)
    lens, _ = first_lens(1024, 768, focal, hint=hint)
    tangent = np.linspace(0, 0.5, 6)
    r = focal * tangent / unit
    theta = np.arctan(r)
    if fisheye:
        recorded = sum(k * theta ** (2 * n + 1) for n, k in enumerate(radial))
    else:
        recorded = sum(k * r ** (2 * n + 1) for n, k in enumerate(radial))
    directions = np.stack([tangent, 0 * tangent, np.ones(6)], axis=1)
    seen = project(replace(lens, air=0.0), directions)
    np.testing.assert_allclose(seen[:, 0], centre[0] + unit * recorded, atol=0.5)
    np.testing.assert_allclose(seen[:, 1], centre[1])


@pytest.mark.parametrize("radial", [(0.0, 0.0, 0.0, 0.0), (1.0, 50.0, 0.0, 0.0), (-1.0, 0, 0, 0)])
def test_a_senseless_word_on_the_lens_is_not_followed(radial):
    hint = LensHint(False, radial, (0.0, 0.0), (512.0, 384.0), 600.0)
    assert first_lens(1024, 768, 800.0, hint=hint) == first_lens(1024, 768, 800.0)
