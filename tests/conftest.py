"""Small nights and small raw files that several tests share."""

from __future__ import annotations

import gc
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from pathlib import Path
from typing import Any

import compiling
import numpy as np
import pytest
import tifffile
from command_line import good, three_frames
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from stackkit.run import readers, workers
from stackkit.simulate import Night, write_night

DngWriter = Callable[..., Path]


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config: pytest.Config) -> None:
    """All cores, a file of tests to each at a time, where nothing else is asked for.

    Not among the usual options in pyproject.toml: these would be errors without the plugin.
    """
    options = config.option
    if getattr(options, "numprocesses", 0) is None and not hasattr(config, "workerinput"):
        options.numprocesses, options.dist = "auto", "loadfile"
        options.loadscopereorder = False


def pytest_configure(config: pytest.Config) -> None:
    """Loops are compiled before there are workers; linear algebra keeps to one thread in each."""
    threadpool_limits(1)
    if not hasattr(config, "workerinput") and not config.option.collectonly:
        compiling.compile_once()


def pytest_sessionstart() -> None:
    """What is loaded before the first test stays to the end: Python need not look for garbage in
    it again and again, which took a twentieth of the time.
    """
    gc.disable()


@pytest.hookimpl(trylast=True)
def pytest_collection_finish() -> None:
    """The rest of :func:`pytest_sessionstart`."""
    gc.freeze()
    gc.enable()


@pytest.fixture(scope="session", autouse=True)
def _in_this_process() -> Iterator[None]:
    """Files are read in the test's own process, by one thread, and no disk is waited for.

    Processes take a second each to start; what they are for is tested by those who ask for
    ``reader_processes``, and by all that run the command in a process of its own.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(workers, "readers", lambda _: nullcontext(readers.here))
        patch.setattr(workers, "usual", lambda: 1)
        patch.setattr(os, "fsync", lambda _: None)
        yield


@pytest.fixture
def reader_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Files are read in processes of their own, as users have it."""
    monkeypatch.setattr(workers, "readers", readers.readers)


@pytest.fixture(scope="session")
def small_night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with six simulated frames of 320×240 and their truth.json.  Read only, please."""
    folder = tmp_path_factory.mktemp("small_night")
    # Fainter stars than 8.5 would not show in so small a frame, and drawing them takes long.
    night = Night(seed=11, frames=6, width=320, height=240, focal=260.0, faintest=8.5)
    write_night(night, folder)
    return folder


@pytest.fixture(scope="session")
def three(small_night: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with three frames of the small night.  Read only, please."""
    return three_frames(small_night, tmp_path_factory.mktemp("three") / "night")


@pytest.fixture(scope="session")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Makes ``out`` what a run leaves that was stopped before its results were written.

    The command goes on from there, so that one stack of a night serves all tests of what becomes
    of it.  ``options`` are those that decide the stack.
    """
    left: dict[tuple[object, ...], Path] = {}

    def make(night: Path, out: Path, *options: object) -> Path:
        if (night, *options) not in left:
            place = tmp_path_factory.mktemp("begun") / "out"
            good("stack", night, "--out", place, "--keep-scratch", *options)
            left[(night, *options)] = place / ".stackkit-scratch"
        shutil.copytree(left[(night, *options)], out / ".stackkit-scratch")
        return out

    return make


@pytest.fixture(scope="session")
def codes() -> NDArray[np.uint16]:
    """A plane (48, 64) in which every code stands once, so that it tells its place."""
    return (np.arange(48 * 64, dtype=np.uint16) + 500).reshape(48, 64)


_MATRIX = (86, 100, -31, 100, -9, 100, -42, 100, 121, 100, 24, 100, -8, 100, 19, 100, 62, 100)
_DNG_TAGS: dict[int, tuple[int, int | None, Any]] = {
    271: (2, None, "Lanternfold"),
    272: (2, None, "Pocket Two"),
    33421: (3, 2, (2, 2)),
    33422: (1, 4, bytes((0, 1, 1, 2))),
    50706: (1, 4, bytes((1, 4, 0, 0))),
    50707: (1, 4, bytes((1, 1, 0, 0))),
    50708: (2, None, "Lanternfold Pocket Two"),
    50714: (5, 1, (64, 1)),
    50717: (4, 1, 4095),
    50721: (10, 9, _MATRIX),
    50728: (5, 3, (1, 2, 1, 1, 2, 3)),
    50778: (3, 1, 21),
}


@pytest.fixture(scope="session")
def write_dng() -> DngWriter:
    """Writes a DNG with tifffile, independent of the package's own writer, directory in front.

    ``tags`` replaces or (None) removes tags: number → (TIFF type, count, value); further options
    go to ``tifffile.imwrite``.
    """

    def write(
        path: Path,
        data: Any,
        tags: dict[int, tuple[int, int | None, Any] | None] | None = None,
        **options: Any,
    ) -> Path:
        merged = {**_DNG_TAGS, **(tags or {})}
        extra = [(code, *tag, True) for code, tag in merged.items() if tag is not None]
        settings = {"photometric": "cfa", "metadata": None, **options}
        tifffile.imwrite(path, data, extratags=extra, **settings)
        return path

    return write


@pytest.fixture
def ordinary_user(
    monkeypatch: pytest.MonkeyPatch,
) -> Iterator[tuple[Path, Callable[[], AbstractContextManager[None]]]]:
    """A folder, and a context in which its files' permissions count even if root runs the tests."""
    if not hasattr(os, "geteuid"):
        pytest.skip("permissions of this system are of another kind")

    @contextmanager
    def lowered() -> Iterator[None]:
        if os.geteuid() != 0:
            yield
            return
        try:
            os.seteuid(65534)
        except OSError:
            pytest.skip("root may not become an ordinary user here")
        try:
            yield
        finally:
            os.seteuid(0)

    with tempfile.TemporaryDirectory() as name, tempfile.TemporaryDirectory() as home:
        Path(name).chmod(0o755)
        # With a home of its own, where compiled code may be kept.
        Path(home).chmod(0o777)
        monkeypatch.setenv("HOME", home)
        monkeypatch.setenv("XDG_CACHE_HOME", home)
        yield Path(name), lowered
        for path in Path(name).iterdir():
            path.chmod(0o755)
