"""Reading in processes of their own: what they return, and what happens when they die."""

import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from faulty_readers import devour, die, die_once, hang, name_of, process_of, refuse

from stackkit.errors import RawFileError
from stackkit.raw.decode import decode
from stackkit.run.readers import readers


@pytest.fixture(autouse=True)
def _findable(monkeypatch: pytest.MonkeyPatch) -> None:
    """The functions of this file can be found by the processes, too."""
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent))


def test_the_same_as_here(small_night: Path) -> None:
    paths = sorted(small_night.glob("*.dng"))
    with readers(2) as read, ThreadPoolExecutor(4) as pool:
        found = list(pool.map(lambda path: read(decode, path), paths))
    for path, mosaic in zip(paths, found, strict=True):
        own = decode(path)
        assert (mosaic.data == own.data).all()
        assert np.array_equal(mosaic.black, own.black)
        assert mosaic.opcodes == own.opcodes


def test_errors_arrive_whole() -> None:
    with (
        readers(1) as read,
        pytest.raises(RawFileError, match=r"a\.dng: no good\. Leave it\.") as told,
    ):
        read(refuse, Path("a.dng"))
    assert told.value.reason == "no good"


@pytest.mark.parametrize("name", ["crash", "kill"])
def test_a_death_costs_one_file(name: str) -> None:
    with readers(1) as read:
        with pytest.raises(RawFileError, match="crashed the decoder"):
            read(die, Path(name))
        assert read(name_of, Path("next")) == "next"


def test_a_process_that_the_system_killed_is_started_once_more(tmp_path: Path) -> None:
    with readers(1) as read:
        assert read(die_once, tmp_path / "once") == "read"


def test_nobody_waits_for_ever() -> None:
    with readers(1, patience=1.5) as read:
        assert read(name_of, Path("first")) == "first"
        with pytest.raises(RawFileError, match=r"more than 1\.5 seconds"):
            read(hang, Path("a.dng"))
        assert read(name_of, Path("next")) == "next"


@pytest.mark.skipif(os.name != "posix", reason="this system sets no such limit")
def test_memory_is_bounded() -> None:
    with readers(1) as read:
        with pytest.raises(MemoryError):
            read(devour, Path("a" * 4))
        assert read(name_of, Path("next")) == "next"


def test_no_process_is_left() -> None:
    with readers(2) as read:
        pid = read(process_of, Path("a"))
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


def test_without_processes_files_are_read_here(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.executable", "/nowhere/python")
    with readers(1) as read:
        assert read(process_of, Path("a")) == os.getpid()
        with pytest.raises(RawFileError, match="no good"):
            read(refuse, Path("a.dng"))
