"""Entries on the shelf: taken as they were laid, made again when anything is not as it was."""

import os
import pickle
import shutil
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scenes import examples

from stackkit.run import checkpoints as room
from stackkit.run.checkpoints import CheckpointedPool, Checkpoints, advance, checkpointed, newest
from stackkit.stars.sky_mesh import Sky


def forbidden() -> object:
    raise AssertionError("made again")


def counted(value: object) -> tuple[Callable[[], object], list[int]]:
    calls: list[int] = []

    def make() -> object:
        calls.append(1)
        return value

    return make, calls


def test_made_once(tmp_path: Path) -> None:
    value = (Sky(np.arange(12, dtype=np.float32).reshape(3, 2, 2)), {"a": [1.5, None]}, tmp_path)
    assert checkpointed(Checkpoints(tmp_path), "one", lambda: value) is value
    sky, rest, path = checkpointed(Checkpoints(tmp_path), "one", forbidden)
    assert np.array_equal(sky.mesh, value[0].mesh)
    assert (rest, path) == value[1:]
    assert sky.mesh.flags.writeable


def test_without_a_shelf_it_is_simply_made() -> None:
    assert checkpointed(None, "one", lambda: 3) == 3
    assert newest(None, "one", [], 4) == 4
    advance(None, "one", [], 1, 4)


@settings(examples(60), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(place=st.floats(0, 1, exclude_max=True), flip=st.integers(1, 255))
def test_any_byte_that_is_not_as_it_was_is_found(tmp_path: Path, place: float, flip: int) -> None:
    checkpoints = Checkpoints(tmp_path)
    (tmp_path / "one.step").unlink(missing_ok=True)
    checkpointed(checkpoints, "one", lambda: np.arange(20))
    data = bytearray((tmp_path / "one.step").read_bytes())
    data[int(place * len(data))] ^= flip
    (tmp_path / "one.step").write_bytes(data)
    make, calls = counted("again")
    assert checkpointed(checkpoints, "one", make) == "again"
    assert calls == [1]


@pytest.mark.parametrize("length", [0, 5, 20, 40])
def test_a_torn_entry_is_made_again(tmp_path: Path, length: int) -> None:
    checkpointed(Checkpoints(tmp_path), "one", lambda: list(range(100)))
    os.truncate(tmp_path / "one.step", length)
    assert checkpointed(Checkpoints(tmp_path), "one", lambda: "again") == "again"


@pytest.mark.parametrize("change", ["bytes", "gone", "longer"])
def test_files_beside_must_be_as_they_were(tmp_path: Path, change: str) -> None:
    beside = tmp_path / "mosaic"

    def make() -> str:
        beside.write_bytes(b"samples")
        return "made"

    checkpointed(Checkpoints(tmp_path), "one", make, [beside])
    assert checkpointed(Checkpoints(tmp_path), "one", forbidden, [beside]) == "made"
    if change == "gone":
        beside.unlink()
    else:
        beside.write_bytes(b"sampleS" if change == "bytes" else b"samples!")
    assert checkpointed(Checkpoints(tmp_path), "one", make, [beside]) == "made"
    assert beside.read_bytes() == b"samples"


def test_an_entry_calls_nothing(tmp_path: Path) -> None:
    """As the standard library's guide to pickle restricts globals ("Restricting Globals")."""

    class Evil:
        def __reduce__(self) -> tuple[object, tuple[str]]:
            return os.system, (f"touch {tmp_path / 'done'}",)

    assert room._lay(Checkpoints(tmp_path), "one", Evil(), [])
    assert checkpointed(Checkpoints(tmp_path), "one", lambda: "again") == "again"
    assert not (tmp_path / "done").exists()
    data = (tmp_path / "one.step").read_bytes()
    assert pickle.loads(data[room._HEAD.size :]) == ([], "again")


def test_a_map_that_remembers(tmp_path: Path) -> None:
    checkpoints = Checkpoints(tmp_path)
    with ThreadPoolExecutor(2) as pool:
        double = list(
            CheckpointedPool(pool, checkpoints, "sum.part").map(lambda x: 2 * x, range(5))
        )
        (tmp_path / "sum.part.00003.step").unlink()
        seen: list[int] = []
        again = list(
            CheckpointedPool(pool, checkpoints, "sum.part").map(
                lambda x: seen.append(x) or 2 * x, range(5)
            )
        )
    assert double == [0, 2, 4, 6, 8] == again
    assert seen == [3]


def test_parts_go_when_the_whole_is_there(tmp_path: Path) -> None:
    checkpoints = Checkpoints(tmp_path)

    def make() -> int:
        return sum(checkpointed(checkpoints, f"sum.{k}", lambda k=k: k) for k in range(4))

    assert checkpointed(checkpoints, "sum", make) == 6
    assert sorted(os.listdir(tmp_path)) == ["sum.step"]


def test_a_step_goes_on_where_it_was(tmp_path: Path) -> None:
    checkpoints, files = Checkpoints(tmp_path), [tmp_path / f"{k}.mask" for k in range(4)]
    for k in range(3):
        files[k].write_bytes(bytes([k]))
        advance(checkpoints, "judged", files, k + 1, {"done": k + 1})
    assert newest(checkpoints, "judged", files, None) == {"done": 3}
    assert sorted(p.name for p in tmp_path.glob("*.step")) == ["judged.00003.step"]
    files[3].write_bytes(b"half of one that is not reached")
    assert newest(checkpoints, "judged", files, None) == {"done": 3}
    files[1].write_bytes(b"spoilt")
    assert newest(checkpoints, "judged", files, None) is None


@pytest.mark.parametrize("spare", [0, 2**60])
def test_results_come_first(tmp_path: Path, spare: int) -> None:
    checkpointed(Checkpoints(tmp_path, spare), "one", lambda: 1)
    assert [p.name for p in tmp_path.iterdir()] == (["one.step"] if spare == 0 else [])


def test_no_place_is_no_fault(tmp_path: Path) -> None:
    checkpoints = Checkpoints(tmp_path / "gone")
    assert checkpointed(checkpoints, "one", lambda: 1) == 1
    assert shutil.disk_usage(tmp_path).free > 0
