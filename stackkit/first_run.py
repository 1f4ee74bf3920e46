"""The first run: its inner loops are compiled by a second process while it reads and measures.

The process goes through the last stages with a few made-up frames, backwards: the run itself
comes from the other end, and what either has compiled serves both.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from stackkit.jit import is_compiled
from stackkit.run.files import working_folder
from stackkit.run.workers import threads, usual

NOTICE = (
    "First run of this version: stackkit compiles its code for this computer. That takes up to a "
    "minute longer, only this once."
)


@contextmanager
def compiling_ahead(jobs: int | None, tell: Callable[[str], None]) -> Iterator[None]:
    """Within the block a second process compiles, if nothing is compiled yet and there is a core
    for it; ``tell`` gets the notice.
    """
    from stackkit.integration.prediction import deviations
    from stackkit.integration.resample import add_frame

    if is_compiled(add_frame) and is_compiled(deviations):
        yield
        return
    tell(NOTICE)
    if min(jobs or usual(), usual()) < 2:
        yield
        return
    # The folder is ours: a process that is killed does not remove its own.
    with working_folder(None) as folder:
        helper = None
        with suppress(OSError):
            helper = subprocess.Popen(
                [sys.executable, "-m", "stackkit.first_run", str(folder)],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
        try:
            yield
        finally:
            if helper is not None:
                helper.kill()
                helper.wait()


def compile_last_stages(folder: Path) -> None:
    """Integrate a few made-up frames and make a picture of them, the last step first."""
    import numpy as np

    from stackkit.calibration import mosaic_cache
    from stackkit.calibration.mosaic_cache import Cache
    from stackkit.geometry.lens import Lens, reaching
    from stackkit.geometry.mapping import Mapping
    from stackkit.geometry.rotation import rotation
    from stackkit.grading.photometric import flat_level
    from stackkit.integration.first_stack import first_stack
    from stackkit.integration.rejection.outliers import judge
    from stackkit.integration.tiles import Placed
    from stackkit.integration.weighted_sum import total
    from stackkit.noise.photon_transfer import Noise
    from stackkit.picture.colour.camera import CameraColour
    from stackkit.picture.colour.develop import CameraWhite, development
    from stackkit.picture.preview import rendered
    from stackkit.raw.bayer import bayer

    shape, clip = (224, 288), 3000.0
    rng = np.random.default_rng(1)
    cache = Cache(folder, shape, mosaic_cache.coding_for(256, 4095))
    lens = reaching(Lens(260.0, 143.5, 111.5, -0.05), shape[1], shape[0])
    frames = []
    for k in range(4):
        adu = rng.normal(100, 9, shape).astype(np.float32)
        adu[20:200:17, 20:260:19] += 900
        adu[k + 60] += 60  # a trail
        mosaic_cache.put(cache, k, adu)
        turned = Mapping(lens, lens, rotation([0.001 * k, 0.002 * k, 0.003 * k]))
        level = flat_level((shape[1], shape[0]))
        frames.append(Placed(k, turned, level, Noise(0.6, 9.0), 1.0))
    value = rng.normal(100, 9, (3, *shape)).astype(np.float32)
    white = CameraWhite(CameraColour(()), None, None)
    rendered(value, development(white, "asshot", clip, clip))
    sensor = bayer(np.array([[0, 1], [1, 2]], dtype=np.uint8), shape[1], shape[0], (2.0, 1.0, 1.5))
    defects, lasting = np.zeros(shape, dtype=np.bool_), np.zeros(shape, dtype=np.int16)
    defects[::50, ::50] = True
    with threads(1) as pool:
        quiet = (clip, pool, lambda _done, _of: None)
        total(cache, frames, sensor, defects, lasting, value, *quiet)
        first = first_stack(cache, frames, sensor, defects, *quiet)
        judge(cache, frames, sensor, defects, first, *quiet[1:])


if __name__ == "__main__":
    compile_last_stages(Path(sys.argv[1]))
