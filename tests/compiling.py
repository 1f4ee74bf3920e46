"""Compiles the package's loops once, in parallel, before the first test asks for them.

Every worker would compile all of them for itself otherwise.  What is compiled stays beside the
sources, for the next run and for the command.  The compiler does not see that a loop calls one in
another file which was changed; so all are made anew when any file with loops was.

``python tests/compiling.py 0`` compiles one part of them.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import tempfile
from pathlib import Path

PACKAGE = Path(__file__).parents[1] / "stackkit"


def state() -> str:
    """What decides the compiled code: the files with loops, and who compiles."""
    digest = hashlib.sha256(sys.version.encode())
    for path in sorted(PACKAGE.rglob("*.py")):
        source = path.read_bytes()
        if b"jit" in source:
            digest.update(source)
    return digest.hexdigest()


def compile_once() -> None:
    """All parts, each in a process of its own, if that was not done for the same sources.

    What fails here fails again where it is tested.
    """
    place = Path(os.environ.get("NUMBA_CACHE_DIR", PACKAGE / "__pycache__"))
    stamp, now = place / "compiled.sha256", state()
    try:
        place.mkdir(parents=True, exist_ok=True)
        before = stamp.read_text() if stamp.exists() else ""
        stamp.write_text(now)
    except OSError:
        return  # the compiler will find another place, when it is asked
    if before == now:
        return
    print("Compiling the loops, once: most of a minute.", flush=True)
    for stale in PACKAGE.rglob("*.nbi") if before else ():
        stale.unlink(missing_ok=True)
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    started = [
        subprocess.Popen([sys.executable, __file__, str(part)], **quiet)
        for part in range(len(PARTS))
    ]
    for process in started:
        process.wait()


def _pipeline(folder: Path) -> None:
    """A night with darks and a shading map, from files to a stack."""
    import stackkit
    from stackkit.simulate import Calibration, Night, write_calibration, write_night

    small = {"width": 320, "height": 240, "focal": 260.0, "faintest": 8.5, "cadence": 60.0}
    night = Night(seed=11, frames=5, shading_map=True, column_pattern=9.0, **small)
    write_night(night, folder)
    (folder / "darks").mkdir()
    write_calibration(night, folder / "darks", Calibration.DARK, 3)
    stackkit.stack([folder], stackkit.Options(jobs=1))


def _functions(folder: Path) -> None:
    """The last stages, backwards, while the other part comes from the first; then the loops that
    are called by themselves.
    """
    import numpy as np

    from stackkit.align.matching import match
    from stackkit.first_run import compile_last_stages
    from stackkit.integration.methods import METHODS, Samples

    compile_last_stages(folder)
    rng = np.random.default_rng(1)
    stars = rng.uniform(0, 900, (120, 2))
    match(stars, stars + 5.0)
    values = rng.normal(100, 5, (6, 400)).astype(np.float32)
    block = Samples(
        values, np.full_like(values, 25), np.ones(6, np.float32), np.zeros(400, np.float32)
    )
    for method in METHODS.values():
        method.function(block)


PARTS = (_pipeline, _functions)

if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with tempfile.TemporaryDirectory() as name:
        PARTS[int(sys.argv[1])](Path(name))
