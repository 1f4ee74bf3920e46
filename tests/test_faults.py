"""The fault matrix: whatever goes wrong around a run, alone or two at once, costs what it must.

What must hold stands in ``faults.play``.  Sources are compared by their bytes and by the time of
their last change as ``stat`` (POSIX.1-2017) has it.
"""

import hashlib
import itertools
import os
import random
import shutil
import signal
import subprocess
import time
from collections.abc import Iterable
from pathlib import Path

import pytest
from command_line import PROCESS, fault, good
from faults import FAULTS, FRAMES, killed, play, scene_of

from stackkit.run import files
from stackkit.simulate import Night, write_night

pytestmark = pytest.mark.skipif(os.name != "posix", reason="faults of another system")
TOGETHER = [
    ("small disk as DIR",),
    ("small disk as scratch",),
    (
        "killed",
        "spoilt scratch",
        "clock moved back",
        "no permission",
        "FIFO",
        "2,000 small files",
        "DIR inside FOLDER",
    ),
    ("source vanishes", "source changes", "reader dies", "links and loops", "FOLDER = DIR"),
]
"""Every fault once, and as many at a time as leave something to be seen of each."""


def apart(one: str, other: str) -> bool:
    """Whether one run cannot have both faults."""
    return any(word in one and word in other for word in ("disk", "FOLDER"))


def covering(size: int) -> list[tuple[str, ...]]:
    """Sets of faults in which every possible pair occurs, each chosen for the most new pairs."""
    left = {pair for pair in itertools.combinations(FAULTS, 2) if not apart(*pair)}
    source = random.Random(size)
    found = []

    def grown(pair: tuple[str, ...]) -> tuple[str, ...]:
        chosen = list(pair)
        while len(chosen) < size:
            more = [f for f in FAULTS if f not in chosen and not any(apart(f, o) for o in chosen)]
            if not more:
                break
            source.shuffle(more)
            chosen.append(max(more, key=lambda f: len(pairs_of([*chosen, f]) & left)))
        return tuple(f for f in FAULTS if f in chosen)

    while left:
        tried = [grown(source.choice(sorted(left))) for _ in range(12)]
        found.append(max(tried, key=lambda faults: len(pairs_of(faults) & left)))
        left -= pairs_of(found[-1])
    return found


def pairs_of(faults: Iterable[str]) -> set[tuple[str, ...]]:
    return set(itertools.combinations([f for f in FAULTS if f in set(faults)], 2))


@pytest.fixture(scope="session")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten frames of 256×192.  Read only, please."""
    folder = tmp_path_factory.mktemp("faults") / "night"
    folder.mkdir()
    settings = Night(seed=12, frames=FRAMES, width=256, height=192, focal=208.0, faintest=8.5)
    write_night(settings, folder)
    return folder


def may_mount() -> bool:
    return shutil.which("mount") is not None and os.geteuid() == 0


def played(night: Path, root: Path, faults: tuple[str, ...]) -> str:
    if any("disk" in name for name in faults) and not may_mount():
        pytest.skip("no small disk may be mounted here")
    try:
        with scene_of(night, root, faults, seed=len("".join(faults))) as scene:
            told = play(scene)
    except subprocess.CalledProcessError:
        pytest.skip("no small disk may be mounted here")
    print(f"{' + '.join(faults):<45} {told}")
    return told


@pytest.mark.parametrize("faults", TOGETHER, ids=" + ".join)
def test_each_fault(night: Path, tmp_path: Path, faults: tuple[str, ...]) -> None:
    told = played(night, tmp_path, faults)
    if any("disk" in fault for fault in faults):
        assert "There is too little room" in told


def test_no_fault_is_forgotten() -> None:
    assert {fault for faults in TOGETHER for fault in faults} == set(FAULTS)


@pytest.mark.slow
@pytest.mark.parametrize("faults", covering(5), ids=" + ".join)
def test_every_pair_of_faults(night: Path, tmp_path: Path, faults: tuple[str, ...]) -> None:
    played(night, tmp_path, faults)


def digests(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir()}


def has_finished(folder: Path) -> bool:
    """Whether a run came to its end there, even if its process was killed while it exited."""
    return (folder / "run.json").exists() and not (folder / ".stackkit-scratch").exists()


@pytest.mark.slow
def test_killed_at_many_moments_the_bytes_are_the_same(night: Path, tmp_path: Path) -> None:
    whole = tmp_path / "out"
    good("stack", night, "--out", whole, "--jobs", 1)
    expected = digests(whole)
    moments = random.Random(20)
    for _ in range(4):
        shutil.rmtree(whole)
        # Several times in one run: it goes on from where it was, again and again.
        for _ in range(2):
            with subprocess.Popen([*PROCESS, "stack", str(night), "--out", str(whole)]) as process:
                try:
                    process.wait(moments.uniform(0.5, 4.0))
                except subprocess.TimeoutExpired:
                    process.kill()
            assert process.returncode in (0, -9)
            if has_finished(whole):
                break
        if not has_finished(whole):
            good("stack", night, "--out", whole, "--jobs", 3)
        assert digests(whole) == expected


def test_kept_scratch_gives_the_same_bytes_in_a_moment(night: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    good("stack", night, "--out", out, "--keep-scratch")
    expected = digests_of_results(out)
    assert (out / ".stackkit-scratch" / "result.step").exists()
    good("stack", night, "--out", out, "--force")
    assert digests(out) == expected


def digests_of_results(folder: Path) -> dict[str, str]:
    return {
        p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir() if p.is_file()
    }


def test_a_folder_that_a_run_is_at_work_on_is_left_to_it(three: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    with files.held(out):
        assert "Another run is at work on" in fault(1, "stack", three, "--out", out)
    assert not list(out.iterdir())


@pytest.mark.slow
def test_two_runs_on_one_folder_the_second_is_told(three: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    command = [*PROCESS, "stack", str(three), "--out", str(out)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as first:
        while first.poll() is None and not any(out.glob(".stackkit-scratch/*.step")):
            time.sleep(0.002)
        first.send_signal(signal.SIGSTOP)  # so that it is at work however long the other takes
        second = subprocess.run(command, capture_output=True, text=True, check=False)
        first.send_signal(signal.SIGCONT)
        assert first.wait() == 0
    assert second.returncode == 1
    assert "Another run is at work on" in second.stderr
    assert not list(out.glob(".*"))


@pytest.mark.slow
def test_sources_that_may_only_be_read_are_as_they_were(night: Path, tmp_path: Path) -> None:
    folder = tmp_path / "night"
    shutil.copytree(night, folder)
    for path in folder.iterdir():
        path.chmod(0o444)
    folder.chmod(0o555)
    before = digests(folder), sorted(p.stat().st_mtime_ns for p in folder.iterdir())
    good("stack", folder, "--out", tmp_path / "out")
    assert (digests(folder), sorted(p.stat().st_mtime_ns for p in folder.iterdir())) == before
    folder.chmod(0o755)


@pytest.mark.slow
def test_the_faults_do_happen(night: Path, tmp_path: Path) -> None:
    """A matrix whose kills come too late would prove nothing."""
    with scene_of(night, tmp_path, ()) as scene:
        killed(scene)
        command = [*PROCESS, "stack", str(scene.folder), "--out", str(scene.out)]
        with subprocess.Popen(command) as process:
            while not list(scene.out.glob(".stackkit-scratch/*.light.step")):
                assert process.poll() is None
            process.kill()
        assert process.returncode == -9
        assert list(scene.out.glob(".stackkit-scratch/*.mosaic"))
        assert not (scene.out / "run.json").exists()
