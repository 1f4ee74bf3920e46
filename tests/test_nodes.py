"""Places between exact nodes, and the weights at a place, against the formulae themselves."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from stackkit.geometry.lens import Lens, Projection, reaching
from stackkit.geometry.mapping import Mapping
from stackkit.integration.lanczos import weights_of_row
from stackkit.integration.nodes import NODE, nodes_of

SIZE = (2000, 1500)


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
        found = nodes_of(mapping.from_reference, left, top, width, height)
        x = left + NODE * np.arange(width // NODE + 2)
        y = top + NODE * np.arange(height // NODE + 2)
        exact = mapping.from_reference(np.stack(np.meshgrid(x, y), axis=-1).astype(float))
        assert found.shape == exact.shape
        assert np.array_equal(np.isnan(found), np.isnan(exact))
        np.testing.assert_allclose(found, exact, atol=1e-4)


def test_whole_pixels_stay_whole():
    found = nodes_of(lambda xy: np.add(xy, (3.0, -0.5)), 0, 0, 200, 100)
    assert found[5, 7].tolist() == [31.0, 19.5]
    assert np.array_equal(found * 2, np.rint(found * 2))


def test_weights_are_lanczos_s():
    """Duchon 1979, J. Applied Meteorology 18:1016: sinc x sinc x/3, here with sum 1."""
    t = np.linspace(0, 1, 1001, dtype=np.float32)
    weights = np.empty((6, len(t)), dtype=np.float32)
    weights_of_row(t, weights)
    x = t.astype(float) - np.arange(-2, 4)[:, None]
    plain = np.sinc(x) * np.sinc(x / 3)
    np.testing.assert_allclose(weights, plain / plain.sum(axis=0), atol=1e-6)
    np.testing.assert_allclose(weights.sum(axis=0), 1, atol=1e-6)
