"""The nights on which alignment is measured: one of each kind that goes wrong for others."""

from __future__ import annotations

import numpy as np

from stackkit.simulate import Night

_WIDE = {"width": 2000, "height": 1500, "focal": 1350.0, "k1": -0.06, "k2": 0.02}


def nights(seed: int) -> dict[str, Night]:
    """Seven nights by name; another ``seed`` is another sky, another wind, another clock."""
    rng = np.random.default_rng([seed, 4])
    cloud = {
        int(k): float(light)
        for k, light in zip(rng.choice(24, 4, False), (0.3, 0.5, 0.6, 0.8), strict=True)
    }
    return {
        "wide": Night(seed=seed, **_WIDE),
        "pole": Night(
            seed=seed + 1, frames=40, width=2000, height=1500, focal=900.0, k1=-0.22, k2=0.05,
            azimuth=0.0, altitude=50.0, cadence=46.0,
        ),
        "low": Night(
            seed=seed + 2, **_WIDE, altitude=24.0, clock_noise=0.5, foreground=True
        ),
        "long": Night(
            seed=seed + 3, frames=20, width=2000, height=1500, focal=9000.0, k1=-0.4, k2=0.0,
            exposure=1.0, cadence=5.0, altitude=40.0, azimuth=200.0, zero_rate=1.5e6, faintest=11.5,
            sky_rate=2.0, psf_sigma=1.0,
        ),
        "city": Night(
            seed=seed + 4, **_WIDE, frames=40, exposure=4.0, cadence=10.0, sky_rate=60.0,
            sky_gradient=2.0, milky_way=0.0, zero_rate=1.5e4, faintest=8.5,
        ),
        "five": Night(seed=seed + 5, **_WIDE, frames=5),
        "bump": Night(
            seed=seed + 6, **_WIDE, wind=0.8, bump_frame=10, bump_degrees=2.0, with_times=False,
            clear=tuple(cloud.get(k, 1.0) for k in range(24)),
        ),
    }  # fmt: skip
