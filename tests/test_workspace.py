"""Where a run's intermediate files lie: found again, held, cleared, and never in the way."""

import os
from pathlib import Path

import pytest

from stackkit.errors import OutputError
from stackkit.run.checkpoints import Checkpoints, checkpointed
from stackkit.run.workspace import BYTES, Task, Workspace, check_room, passing, workspace


@pytest.fixture
def task(tmp_path: Path) -> Task:
    folder = tmp_path / "night"
    folder.mkdir()
    (folder / "a.dng").write_bytes(b"a")
    (tmp_path / "out").mkdir()
    return Task((folder,), ("stack", 1), tmp_path / "out", ("run.json",))


def interrupted(task: Task, place: Path | None = None) -> Path:
    """A run that is stopped when it has laid one entry; its folder."""

    def run() -> None:
        with workspace(task, place, keep=False) as work:
            folders.append(work.folder)
            checkpointed(work.checkpoints, "step", lambda: "old")
            raise KeyboardInterrupt

    folders: list[Path] = []
    with pytest.raises(KeyboardInterrupt):
        run()
    return folders[0]


def found(task: Task, place: Path | None = None) -> object:
    with workspace(task, place, keep=False) as work:
        return checkpointed(work.checkpoints, "step", lambda: "new")


@pytest.mark.parametrize("elsewhere", [False, True])
def test_the_same_run_goes_on(task: Task, tmp_path: Path, elsewhere: bool) -> None:
    place = tmp_path / "scratch" if elsewhere else None
    assert interrupted(task, place).is_dir()
    assert found(task, place) == "old"
    assert os.listdir(task.out) == []
    assert not elsewhere or os.listdir(tmp_path / "scratch") == []


@pytest.mark.parametrize("change", ["bytes", "another file", "touched", "asked", "gone"])
def test_another_run_begins_anew(task: Task, change: str) -> None:
    interrupted(task)
    (source,) = task.reads[0].iterdir()
    if change == "asked":
        task = Task(task.reads, ("stack", 2), task.out, task.made)
    elif change == "another file":
        (task.reads[0] / "b.dng").write_bytes(b"b")
    elif change == "touched":
        os.utime(source, ns=(1, 1))
    elif change == "gone":
        source.unlink()
    else:
        source.write_bytes(b"A")
    assert found(task) == "new"


@pytest.mark.parametrize("old", ["0.1.9", ""])
def test_a_run_of_another_version_begins_anew_with_a_sentence(task: Task, old: str) -> None:
    """Before 0.2 the key stood alone, without the version."""
    key = interrupted(task) / "key"
    digest, _, _ = key.read_text().partition(" ")
    key.write_text(f"{digest} {old}".strip())
    with workspace(task, None, keep=False) as work:
        assert checkpointed(work.checkpoints, "step", lambda: "new") == "new"
        assert f"another version ({old or 'before 0.2'}) was found" in work.note
    interrupted(task)
    with workspace(task, None, keep=False) as work:
        assert work.note == ""


def test_results_in_the_folder_of_the_night_are_no_input(task: Task) -> None:
    task = Task(task.reads, task.asked, task.reads[0], task.made)
    interrupted(task)
    (task.out / "run.json").write_text("{}")
    assert found(task) == "old"


def test_a_fault_leaves_nothing_to_go_on_from(task: Task) -> None:
    with pytest.raises(ZeroDivisionError), workspace(task, None, keep=False):
        raise ZeroDivisionError
    assert os.listdir(task.out) == []


def test_kept_when_asked(task: Task) -> None:
    with workspace(task, None, keep=True) as work:
        checkpointed(work.checkpoints, "step", lambda: "old")
    assert work.folder.is_dir()
    assert found(task) == "old"


def test_the_second_is_told(task: Task) -> None:
    with workspace(task, None, keep=False):
        with pytest.raises(OutputError, match="Another run is at work"):
            found(task)
        other = task.out.parent / "other"
        other.mkdir()
        assert found(Task(task.reads, task.asked, other, task.made)) == "new"
    assert found(task) == "new"


def test_what_changed_is_told(task: Task) -> None:
    with workspace(task, None, keep=False) as work:
        assert work.changed() == []
        (task.reads[0] / "a.dng").write_bytes(b"other")
        assert work.changed() == [str(task.reads[0] / "a.dng")]


def test_a_file_in_the_way_is_no_scratch(task: Task) -> None:
    (task.out / ".stackkit-scratch").write_text("hello")
    assert found(task) == "new"


def test_a_passing_place_goes(tmp_path: Path) -> None:
    with passing(tmp_path) as work:
        assert work.checkpoints is None
        assert work.folder.parent == tmp_path
    assert os.listdir(tmp_path) == []


def test_room_is_looked_at_before(tmp_path: Path) -> None:
    place = Workspace(
        tmp_path, Checkpoints(tmp_path), out=tmp_path, made=("stack.fits", "stack.dng")
    )
    pixels, frames = 1_000_000, 10
    assert check_room(place, pixels, frames).checkpoints == Checkpoints(
        tmp_path, int(pixels * frames * BYTES) + (26 + 6) * pixels
    )
    with pytest.raises(OutputError, match=r"too little room in .* 10 frames need about"):
        check_room(place, 10**12, frames)
    with pytest.raises(OutputError, match="too little room"):
        check_room(place, 10**9, 0, sampling=1000)
