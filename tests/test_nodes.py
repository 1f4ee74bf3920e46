"""Places between exact nodes, and the weights at a place, against the formulae themselves."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from stackkit.geometry.lens import Lens, Projection, reaching
from stackkit.geometry.mapping import Mapping
from stackkit.integration.lanczos import weights_of_row
from stackkit.integration.nodes import Nodes, limits, nodes_of, places_of_row

SIZE = (2000, 1500)


def placed(places, left, top, width, height):
    """Places (height, width, 2) of a rectangle as the loops take them."""
    nodes = nodes_of(places, left, top, width, height)
    out = np.empty((2, height, width))
    for y in range(height):
        places_of_row(nodes, y, out[0, y], out[1, y])
    return np.moveaxis(out, 0, -1)


def turned(degrees, projection=Projection.RECTILINEAR, focal=1350.0):
    lens = Lens(f=focal, cx=1003, cy=744, k1=-0.08, k2=0.03, p1=0.001, projection=projection)
    lens = reaching(lens, *SIZE)
    turn = Rotation.from_rotvec(np.radians(degrees) * np.array([0.2, 0.5, 0.84]))
    return Mapping(lens, lens, turn.as_matrix())


@pytest.mark.parametrize("degrees", [0.0, 2.5, 90.0])
@pytest.mark.parametrize(
    ("projection", "focal"),
    [(Projection.RECTILINEAR, 1350.0), (Projection.EQUISOLID, 700.0)],
)
def test_nodes_are_where_the_mapping_puts_them(degrees, projection, focal):
    mapping = turned(degrees, projection, focal)
    for left, top, width, height in ((0, 0, 256, 256), (1792, 1280, 208, 220), (900, 700, 50, 3)):
        found = placed(mapping.from_reference, left, top, width, height)
        x, y = left + np.arange(width), top + np.arange(height)
        exact = mapping.from_reference(np.stack(np.meshgrid(x, y), axis=-1).astype(float))
        np.testing.assert_allclose(found, exact, atol=1e-4)


def circle(xy):
    """The plane as it is, within 300 px of its middle."""
    away = np.hypot(*np.moveaxis(np.asarray(xy) - (400.0, 300.0), -1, 0))
    return np.where((away < 300)[..., None], np.asarray(xy, dtype=float), np.nan)


def test_a_rim_costs_only_what_lies_at_it():
    found = placed(circle, 0, 0, 800, 600)
    y, x = np.mgrid[:600, :800]
    away = np.hypot(x - 400, y - 300)
    known = np.isfinite(found).all(axis=-1)
    assert known[away < 300 - 4 * np.sqrt(2)].all()
    assert not known[away > 300].any()
    np.testing.assert_allclose(found[known], np.stack([x, y], axis=-1)[known], atol=1e-9)


def test_what_a_rectangle_reaches_is_known():
    mapping = turned(2.5)
    nodes = nodes_of(mapping.from_reference, 300, 200, 250, 130)
    low, high = limits(nodes, 250, 130)
    found = placed(mapping.from_reference, 300, 200, 250, 130).reshape(-1, 2)
    assert (low <= found.min(axis=0)).all()
    assert (high >= found.max(axis=0)).all()
    assert (low > found.min(axis=0) - 17).all()
    assert (high < found.max(axis=0) + 17).all()
    assert limits(Nodes(np.full((9, 9, 2), np.nan), 16, True), 100, 100) is None


def test_weights_are_lanczos_s():
    """Duchon 1979, J. Applied Meteorology 18:1016: sinc x sinc x/3, here with sum 1."""
    t = np.linspace(0, 1, 1001, dtype=np.float32)
    weights = np.empty((6, len(t)), dtype=np.float32)
    weights_of_row(t, weights)
    x = t.astype(float) - np.arange(-2, 4)[:, None]
    plain = np.sinc(x) * np.sinc(x / 3)
    np.testing.assert_allclose(weights, plain / plain.sum(axis=0), atol=1e-6)
    np.testing.assert_allclose(weights.sum(axis=0), 1, atol=1e-6)
