"""The fault matrix: whatever goes wrong around a run, alone or two at once, costs what it must.

What must hold stands in ``faults.play``.  Sources are compared by their bytes and by the time of
their last change as ``stat`` (POSIX.1-2017) has it.
"""

import hashlib
import itertools
import os
import random
import shutil
import subprocess
from pathlib import Path

import pytest
from command_line import PROCESS, good
from faults import FAULTS, FRAMES, killed, play, scene_of

from stackkit.simulate import Night, write_night

pytestmark = pytest.mark.skipif(os.name != "posix", reason="faults of another system")
PAIRS = [
    pair
    for pair in itertools.combinations(FAULTS, 2)
    if not all("disk" in name for name in pair) and not all("FOLDER" in name for name in pair)
]


@pytest.fixture(scope="session")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten frames of 320×240.  Read only, please."""
    folder = tmp_path_factory.mktemp("faults") / "night"
    folder.mkdir()
    settings = Night(seed=12, frames=FRAMES, width=320, height=240, focal=260.0, faintest=8.5)
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


@pytest.mark.parametrize("fault", FAULTS)
def test_one_fault(night: Path, tmp_path: Path, fault: str) -> None:
    told = played(night, tmp_path, (fault,))
    if "disk" in fault:
        assert "There is too little room" in told


@pytest.mark.slow
@pytest.mark.parametrize("faults", PAIRS, ids=" + ".join)
def test_two_faults(night: Path, tmp_path: Path, faults: tuple[str, ...]) -> None:
    played(night, tmp_path, faults)


def digests(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir()}


@pytest.mark.slow
def test_killed_at_twenty_moments_the_bytes_are_the_same(night: Path, tmp_path: Path) -> None:
    whole = tmp_path / "out"
    good("stack", night, "--out", whole, "--jobs", 1)
    expected = digests(whole)
    moments = random.Random(20)
    for _ in range(20):
        shutil.rmtree(whole)
        # Several times in one run: it goes on from where it was, again and again.
        for _ in range(2):
            with subprocess.Popen([*PROCESS, "stack", str(night), "--out", str(whole)]) as process:
                try:
                    process.wait(moments.uniform(0.5, 4.0))
                except subprocess.TimeoutExpired:
                    process.kill()
            if process.returncode == 0:
                break
        assert process.returncode in (0, -9)
        if process.returncode != 0:
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


def test_two_runs_on_one_folder_the_second_is_told(night: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    command = [*PROCESS, "stack", str(night), "--out", str(out)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as first:
        while first.poll() is None and not any(out.glob(".stackkit-scratch/*.step")):
            pass
        second = subprocess.run(command, capture_output=True, text=True, check=False)
        assert first.wait() == 0
    assert second.returncode == 1
    assert "Another run is at work on" in second.stderr
    assert not list(out.glob(".*"))


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
