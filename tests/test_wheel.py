"""The wheel holds what the command needs and nothing else, and works where nothing else is."""

from __future__ import annotations

import os
import shutil
import site
import subprocess
import sys
import venv
from pathlib import Path
from zipfile import ZipFile

import pytest

ROOT = Path(__file__).parents[1]
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built from a copy of the sources, so that nothing is left among them."""
    source = tmp_path_factory.mktemp("source") / "stackkit"
    out = tmp_path_factory.mktemp("wheel")
    source.mkdir()
    for name in ("README.md", "LICENSE", "pyproject.toml"):
        shutil.copy(ROOT / name, source)
    for name in ("stackkit", "cli", "tests"):
        shutil.copytree(ROOT / name, source / name, ignore=shutil.ignore_patterns("__pycache__"))
    pip = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps"]
    subprocess.run([*pip, "-w", str(out), str(source)], check=True)
    (built,) = out.glob("*.whl")
    return built


def test_it_holds_the_sources_and_no_more(wheel: Path) -> None:
    with ZipFile(wheel) as file:
        inside = {name for name in file.namelist() if ".dist-info/" not in name}
    kept = {".py", ".json", ".html", ".css", ".js", ".typed"}
    ours = {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / "stackkit").rglob("*")
        if path.suffix in kept or path.name == "py.typed"
    }
    ours |= {f"stackkit_cli/{path.name}" for path in (ROOT / "cli").glob("*.py")}
    assert inside == ours


def test_the_command_runs_from_it_alone(wheel: Path, tmp_path: Path) -> None:
    """In an environment of its own, with the libraries it depends on but without the sources."""
    home = tmp_path / "venv"
    venv.create(home, with_pip=False, symlinks=True)
    (packages,) = home.glob("lib/python*/site-packages")
    with ZipFile(wheel) as file:
        file.extractall(packages)
    libraries = [path for path in site.getsitepackages() if Path(path).is_dir()]
    (packages / "libraries.pth").write_text("\n".join(libraries))
    python = str(home / "bin" / "python")
    run = [python, "-c", "from stackkit_cli.main import start; start()"]
    options = {"check": True, "cwd": tmp_path, "env": {**os.environ, "PYTHONPATH": ""}}
    night = ["--frames", "3", "--width", "320", "--height", "240"]
    subprocess.run([*run, "simulate", "night", *night], **options, stdout=subprocess.DEVNULL)
    subprocess.run([*run, "stack", "night", "--out", "out"], **options, stdout=subprocess.DEVNULL)
    assert (tmp_path / "out" / "report.html").stat().st_size > 10_000
    where = [python, "-c", "import stackkit; print(stackkit.__file__)"]
    found = subprocess.run(where, **options, stdout=subprocess.PIPE, text=True).stdout
    assert Path(found.strip()).is_relative_to(home)
