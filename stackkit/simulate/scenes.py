"""Ready-made nights for the command; lengths scale with the picture's width."""

from __future__ import annotations

from dataclasses import replace

from stackkit.simulate.night import Night


def scene_night(scene: str, frames: int, width: int) -> Night:
    """The night of a scene: ``wide``, ``horizon``, ``town`` or ``rough``.

    Raises ``KeyError`` for another name.
    """
    night = Night(frames=frames, width=width, focal=0.675 * width)
    middle = max(frames // 2, 1)
    cloudy = {middle // 2: 0.35, middle // 2 + 1: 0.6}
    scenes = {
        "wide": night,
        "horizon": replace(night, altitude=24.0, foreground=True, clock_noise=0.3),
        "town": replace(
            night, sky_rate=60.0, sky_gradient=2.0, milky_way=0.0, zero_rate=1.5e4, satellites=1
        ),
        "rough": replace(
            night,
            wind=0.8,
            bump_frame=middle if frames > 2 else 0,
            bump_degrees=2.0,
            clear=tuple(cloudy.get(k, 1.0) for k in range(frames)),
        ),
    }
    return scenes[scene]
