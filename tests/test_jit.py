"""A place for compiled loops, whoever installed the package and wherever home is."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from stackkit import jit


@pytest.fixture
def nowhere(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """Nothing can be written but the system's temporary place."""
    monkeypatch.setattr(jit, "_writable", lambda _: False)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    return tmp_path


def test_usually_nothing_is_changed() -> None:
    assert jit.cache_folder({}) is None


def test_what_the_user_says_stands(nowhere: Path) -> None:
    assert jit.cache_folder({"NUMBA_CACHE_DIR": "/elsewhere"}) is None
    assert os.listdir(nowhere) == []


def test_importing_changes_no_environment() -> None:
    """In a process of its own, with everything that holds loops loaded."""
    code = (
        "import os; before = dict(os.environ); import stackkit; import stackkit.pipeline; "
        "assert dict(os.environ) == before"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_a_folder_of_our_own_serves_again(nowhere: Path) -> None:
    place = jit.cache_folder({})
    assert place is not None
    assert Path(place).parent == nowhere
    assert Path(place).stat().st_mode & 0o077 == 0
    assert jit.cache_folder({}) == place


@pytest.mark.parametrize("kind", ["open to all", "link"])
def test_a_folder_that_somebody_else_may_have_made_is_not_used(nowhere: Path, kind: str) -> None:
    place = Path(jit.cache_folder({}) or "")
    place.rmdir()
    if kind == "link":
        (nowhere / "theirs").mkdir()
        place.symlink_to(nowhere / "theirs")
    else:
        place.mkdir()
        place.chmod(0o777)
    other = jit.cache_folder({})
    assert other is not None
    assert Path(other) != place
    assert Path(other).stat().st_mode & 0o077 == 0


def test_a_place_that_is_not_there_yet_may_be_made(tmp_path: Path) -> None:
    assert jit._writable(tmp_path / "a" / "b")
