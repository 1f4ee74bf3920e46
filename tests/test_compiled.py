"""A place for compiled loops, whoever installed the package and wherever home is."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from stackkit.run import jit_cache


@pytest.fixture
def nowhere(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """Nothing can be written but the system's temporary place."""
    monkeypatch.setattr(jit_cache, "_writable", lambda _: False)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    return tmp_path


def kept() -> str | None:
    environment: dict[str, str] = {}
    jit_cache.keep_compiled(environment)
    return environment.get("NUMBA_CACHE_DIR")


def test_usually_nothing_is_changed() -> None:
    assert kept() is None


def test_what_the_user_says_stands(nowhere: Path) -> None:
    environment = {"NUMBA_CACHE_DIR": "/elsewhere"}
    jit_cache.keep_compiled(environment)
    assert environment == {"NUMBA_CACHE_DIR": "/elsewhere"}
    assert os.listdir(nowhere) == []


def test_a_folder_of_our_own_serves_again(nowhere: Path) -> None:
    place = kept()
    assert place is not None
    assert Path(place).parent == nowhere
    assert Path(place).stat().st_mode & 0o077 == 0
    assert kept() == place


@pytest.mark.parametrize("kind", ["open to all", "link"])
def test_a_folder_that_somebody_else_may_have_made_is_not_used(nowhere: Path, kind: str) -> None:
    place = Path(kept() or "")
    place.rmdir()
    if kind == "link":
        (nowhere / "theirs").mkdir()
        place.symlink_to(nowhere / "theirs")
    else:
        place.mkdir()
        place.chmod(0o777)
    other = kept()
    assert other is not None
    assert Path(other) != place
    assert Path(other).stat().st_mode & 0o077 == 0


def test_a_place_that_is_not_there_yet_may_be_made(tmp_path: Path) -> None:
    assert jit_cache._writable(tmp_path / "a" / "b")
