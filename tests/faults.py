"""What may go wrong around a run, each thing alone or two at once, and what must hold then."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

from command_line import PROCESS, RESULTS, names, one_line, record_of, run

FRAMES = 10
_LEFT = 1_500_000
"""Bytes that are free on the small disk: too few for the results."""


@dataclass
class Scene:
    """A night in ``folder`` about to be stacked: ``midway`` happens to the run when some frames are
    read.  ``lost``: names of sources that the faults take or spoil; ``full``: no room for results.
    """

    root: Path
    folder: Path
    out: Path
    seed: int = 0
    options: list[str] = field(default_factory=list)
    midway: list[Callable[[Scene, subprocess.Popen[str]], None]] = field(default_factory=list)
    between: list[Callable[[Scene], None]] = field(default_factory=list)
    lost: set[str] = field(default_factory=set)
    full: bool = False
    killed: bool = False
    disks: list[Path] = field(default_factory=list)


def killed(scene: Scene) -> None:
    """SIGKILL at a random moment, then the same command."""
    scene.killed = True
    wait = random.Random(scene.seed).uniform(0.0, 1.2)

    def kill(_: Scene, process: subprocess.Popen[str]) -> None:
        with suppress(subprocess.TimeoutExpired):
            process.wait(wait)
        process.kill()

    scene.midway.append(kill)


def scratch_spoilt(scene: Scene) -> None:
    """A byte turned over in every file that a killed run left."""
    if not scene.killed:
        killed(scene)

    def spoil(scene: Scene) -> None:
        source = random.Random(scene.seed)
        for place in scene.root.rglob(".stackkit-scratch*/*"):
            data = bytearray(place.read_bytes())
            if data:
                data[source.randrange(len(data))] ^= 0xFF
                place.write_bytes(data)

    scene.between.append(spoil)


def clock_back(scene: Scene) -> None:
    """The computer's clock was moved back: what a killed run left is from tomorrow."""
    if not scene.killed:
        killed(scene)

    def date(scene: Scene) -> None:
        for place in [*scene.root.rglob(".stackkit-*"), *scene.root.rglob(".stackkit-*/*")]:
            os.utime(place, (time.time() + 86400, time.time() + 86400))

    scene.between.append(date)


def small_disk_for_results(scene: Scene) -> None:
    """A full disk as DIR."""
    disk = _disk(scene)
    scene.out, scene.full = disk / "out", True


def small_disk_for_scratch(scene: Scene) -> None:
    """A full disk for the intermediate files."""
    disk = _disk(scene)
    (disk / "more").write_bytes(bytes(_LEFT - 200_000))
    scene.options += ["--scratch", str(disk)]
    scene.full = True


def source_vanishes(scene: Scene) -> None:
    """A source is taken away while the run is under way."""
    scene.lost.add("night_0009.dng")
    scene.midway.insert(0, lambda scene, _: (scene.folder / "night_0009.dng").unlink())


def source_changes(scene: Scene) -> None:
    """A source is written over while the run is under way."""
    scene.lost.add("night_0010.dng")

    def write(scene: Scene, _: subprocess.Popen[str]) -> None:
        (scene.folder / "night_0010.dng").write_bytes(b"something else")

    scene.midway.insert(0, write)


def no_permission(scene: Scene) -> None:
    """A source and a folder that may not be read (for whom permissions count)."""
    (scene.folder / "locked").mkdir()
    shutil.copy(scene.folder / "night_0001.dng", scene.folder / "locked")
    (scene.folder / "locked").chmod(0)
    (scene.folder / "night_0008.dng").chmod(0)
    scene.lost.add("night_0008.dng")


def links_and_loops(scene: Scene) -> None:
    """Links to a source, to nothing, to themselves, and to the folder they are in."""
    (scene.folder / "zz again.dng").symlink_to(scene.folder / "night_0001.dng")
    (scene.folder / "nothing.dng").symlink_to(scene.folder / "not there.dng")
    (scene.folder / "itself.dng").symlink_to(scene.folder / "itself.dng")
    (scene.folder / "loop").symlink_to(scene.folder)
    (scene.folder / "up").symlink_to(scene.root)


def fifo(scene: Scene) -> None:
    """A FIFO that is named like a picture: whoever opens it waits for ever."""
    os.mkfifo(scene.folder / "pipe.dng")


def small_files(scene: Scene) -> None:
    """2,000 small files of other programs."""
    (scene.folder / "thumbnails").mkdir()
    for k in range(2000):
        (scene.folder / "thumbnails" / f"{k:04d}.dat").write_bytes(b"x" * (k % 97))


def reader_dies(scene: Scene) -> None:
    """A process that reads files is killed by the system."""

    def kill(_: Scene, process: subprocess.Popen[str]) -> None:
        for reader in _children(process.pid)[:1]:
            with suppress(ProcessLookupError):
                os.kill(reader, signal.SIGKILL)

    scene.midway.insert(0, kill)


def out_in_folder(scene: Scene) -> None:
    """DIR is inside FOLDER."""
    scene.out = scene.folder / "made" if not scene.full else scene.out


def out_is_folder(scene: Scene) -> None:
    """DIR is FOLDER."""
    scene.out = scene.folder if not scene.full else scene.out


FAULTS: dict[str, Callable[[Scene], None]] = {
    "small disk as DIR": small_disk_for_results,
    "small disk as scratch": small_disk_for_scratch,
    "killed": killed,
    "spoilt scratch": scratch_spoilt,
    "clock moved back": clock_back,
    "source vanishes": source_vanishes,
    "source changes": source_changes,
    "no permission": no_permission,
    "links and loops": links_and_loops,
    "FIFO": fifo,
    "2,000 small files": small_files,
    "reader dies": reader_dies,
    "DIR inside FOLDER": out_in_folder,
    "FOLDER = DIR": out_is_folder,
}


@contextmanager
def scene_of(night: Path, root: Path, faults: Sequence[str], seed: int = 0) -> Iterator[Scene]:
    """A copy of the night with these faults."""
    root.mkdir(exist_ok=True)
    folder = root / "night"
    shutil.copytree(night, folder)
    scene = Scene(root, folder, root / "out", seed)
    try:
        for name in FAULTS:
            if name in faults:
                FAULTS[name](scene)
        yield scene
    finally:
        for disk in scene.disks:
            subprocess.run(["umount", str(disk)], check=True)
        if (folder / "locked").exists():
            (folder / "locked").chmod(0o755)


def play(scene: Scene) -> str:
    """Run the command, let happen what happens, run it again if it was killed; what became of it.

    Asserts that nothing is lost, nothing half-written, and all is told in plain words.
    """
    sources = _sources(scene)
    command = [*PROCESS, "stack", str(scene.folder), "--out", str(scene.out), *scene.options]
    said = [_run(command, scene)]
    if scene.killed and said[0][0] != 0:  # on a quick machine it was done before
        for act in scene.between:
            act(scene)
        said.append(_run(command, replace(scene, midway=[])))
    status, err = said[-1]
    assert "Traceback" not in "".join(text for _, text in said)
    for path, (data, changed) in sources.items():
        if path.name not in scene.lost:
            assert path.read_bytes() == data
            assert path.stat().st_mtime_ns == changed
    there = names(scene.out) if scene.out.exists() else []
    assert not list(scene.root.glob("*/.stackkit-*")) + list(scene.out.glob(".stackkit-*"))
    if status != 0:
        assert (status, scene.full) == (1, True), err
        assert not set(there) & set(RESULTS)
        return one_line(err).removeprefix("stackkit: ")
    assert not scene.full
    assert err == ""
    assert set(RESULTS) <= set(there)
    record = record_of(scene.out)
    used = {row["file"] for row in record["frames"] if row["used"]}
    kept = {f"night_{k:04d}.dng" for k in range(1, FRAMES + 1)} - scene.lost
    assert kept <= used
    assert all(row["reason"] for row in record["frames"] if not row["used"])
    told = [text for text in record["warnings"] if "While this ran" in text]
    return f"{len(used)} of {FRAMES} frames" + ("; change told" if told else "")


def _run(command: Sequence[str], scene: Scene) -> tuple[int, str]:
    """Status and standard error; in a process of its own where something is done to it."""
    if not scene.midway:
        done = run(*command[len(PROCESS) :])
        return done.status, done.err
    pipes = {"stdout": subprocess.DEVNULL, "stderr": subprocess.PIPE}
    with subprocess.Popen(command, text=True, **pipes) as process:  # type: ignore[call-overload]
        while scene.midway and process.poll() is None and not _some_are_read(scene):
            time.sleep(0.002)
        for act in scene.midway:
            act(scene, process)
        _, err = process.communicate(timeout=120)
    return process.returncode, err


def _some_are_read(scene: Scene) -> bool:
    places = [scene.out, *(Path(option) for option in scene.options if "/" in option)]
    return any(list(place.glob(".stackkit-scratch*/*.light.step")) for place in places)


def _sources(scene: Scene) -> dict[Path, tuple[bytes, int]]:
    """Bytes and time of the last change of every file that can be read without waiting."""
    return {
        path: (path.read_bytes(), path.stat().st_mtime_ns)
        for path in scene.folder.rglob("*.dng")
        if path.is_file() and os.access(path, os.R_OK)
    }


def _children(pid: int) -> list[int]:
    with suppress(OSError):
        listed = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        threads = Path(f"/proc/{pid}/task").iterdir()
        listed += [c for task in threads for c in (task / "children").read_text().split()]
        return sorted({int(child) for child in listed})
    return []


def _disk(scene: Scene) -> Path:
    """A disk of 20 MB, nearly full."""
    folder = scene.root / f"disk{len(scene.disks)}"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=20m", "tmpfs", str(folder)], check=True)
    scene.disks.append(folder)
    (folder / "ballast").write_bytes(bytes(20 * 2**20 - _LEFT))
    return folder
