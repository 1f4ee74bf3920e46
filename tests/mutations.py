"""Deliberate faults of the product, one at a time: do the fast tests see each of them?

    python -m tests.mutations                  # all of them: some twenty minutes
    python -m tests.mutations --only raw/      # those whose file or test has this in its name
    python -m tests.mutations --list

Works on a copy in the temporary folder; the sources themselves are only read.  At first the tests
must pass without any fault (``--trust`` takes that for granted).  Ends with status 1 if a fault
survived, with 2 if the tests fail anyway.  The faults are in ``mutation_list.py``.
"""

from __future__ import annotations

import argparse
import ast
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from .mutation_list import MUTATIONS, Mutation

ROOT = Path(__file__).parents[1]
COPIED = ("stackkit", "cli", "tests", "pyproject.toml", "README.md", "DEVELOPERS.md")
LINKED = ("sample_frames",)
LONGEST = 900.0
"""Seconds after which a fault that makes the product run on and on counts as seen."""
CAUGHT, SURVIVED, BROKEN = "caught", "SURVIVED", "BROKEN"
_COMPILED = re.compile(r"^@jit\b", re.MULTILINE)
_TOLD = re.compile(r"^(?:FAILED|ERROR) (.+?)(?: - .*)?$", re.MULTILINE)


def copied(folder: Path) -> Path:
    """The project in ``folder``, with the times of its files, by which compiled loops are known."""
    for name in COPIED:
        source, target = ROOT / name, folder / name
        if source.is_dir():
            shutil.copytree(source, target)
        elif source.exists():
            shutil.copy2(source, target)
    for name in LINKED:
        (folder / name).symlink_to(ROOT / name)
    (folder / "stackkit_cli").symlink_to("cli")
    return folder


def environment(copy: Path) -> dict[str, str]:
    """In which the copy comes before the installed package."""
    ours = {"NUMBA_CACHE_DIR", "PYTEST_ADDOPTS"}
    kept = {name: value for name, value in os.environ.items() if name not in ours}
    return {**kept, "PYTHONPATH": str(copy)}


def check(copy: Path) -> None:
    """Ends the run unless the copy is what would be tested."""
    asked = (
        "import stackkit, stackkit_cli; print(stackkit.__file__, stackkit_cli.__file__, sep='\\n')"
    )
    for place in _answer(copy, asked, copy).splitlines():
        if not Path(place).is_relative_to(copy):
            raise SystemExit(f"{place} would be tested, not the copy in {copy}.")


def _answer(copy: Path, code: str, where: Path) -> str:
    command = [sys.executable, "-c", code]
    options = {"check": True, "text": True, "stdout": subprocess.PIPE}
    return subprocess.run(command, cwd=where, env=environment(copy), **options).stdout.strip()


def tested(copy: Path, tests: Sequence[str], *more: str) -> tuple[int | None, list[str]]:
    """Exit status of pytest (None: it took too long), and the tests that failed."""
    command = [sys.executable, "-m", "pytest", "-q", "-n", "0", "-p", "no:cacheprovider"]
    command += [f"--basetemp={copy / 'basetemp'}", "--tb=no", *more]
    command += [f"tests/{name}" for name in tests]
    try:
        done = subprocess.run(
            command,
            cwd=copy,
            env=environment(copy),
            timeout=LONGEST,
            text=True,
            errors="replace",
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
    except subprocess.TimeoutExpired:
        return None, []
    return done.returncode, _TOLD.findall(done.stdout)


def tried(copy: Path, mutation: Mutation) -> tuple[str, str]:
    """What became of a fault, and by which test."""
    with mutated(copy, mutation):
        status, failed = tested(copy, mutation.tests, "-x")
    if status is None:
        return CAUGHT, f"it takes more than {LONGEST:.0f} s"
    if status == 1 and failed:
        return CAUGHT, failed[0]
    if status == 0:
        return SURVIVED, ""
    # Not even collected: that is no fault worth a test.
    return BROKEN, f"pytest ended with status {status}"


@contextmanager
def mutated(copy: Path, mutation: Mutation) -> Iterator[None]:
    """The copy with the fault in it, while the block lasts."""
    path = copy / mutation.file
    status, text = path.stat(), path.read_text(encoding="utf-8")
    if text.count(mutation.before) != 1:
        raise SystemExit(f"{mutation.file} has changed: {mutation.before!r} is not there once.")
    fresh = text.replace(mutation.before, mutation.after)
    ast.parse(fresh)  # a fault, not a slip of the list
    with compiled_anew(copy, path, text, fresh):
        try:
            path.write_text(fresh, encoding="utf-8")
            yield
        finally:
            path.write_text(text, encoding="utf-8")
            os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


@contextmanager
def compiled_anew(copy: Path, path: Path, text: str, fresh: str) -> Iterator[None]:
    """While the block lasts, without the compiled loops that the fault has a part in.

    The compiler compares the time of a loop's own file; it does not see what a loop takes from
    other files.  All loops are put back afterwards.
    """
    package = copy / "stackkit"
    if not _COMPILED.search(text):
        yield
        return
    with tempfile.TemporaryDirectory(dir=copy) as room:
        kept = {}
        for number, loop in enumerate(sorted(package.rglob("*.nb[ic]"))):
            kept[loop] = Path(room) / str(number)
            os.link(loop, kept[loop])
        changed = changed_names(package, path, text, fresh)
        for loop in kept:
            stem, _, name = loop.name.partition(".")
            if name.partition("-")[0] in changed[stem]:
                loop.unlink()
        stamp = package / "__pycache__" / "compiled.sha256"
        before = stamp.read_bytes() if stamp.exists() else None
        try:
            # What is not there is compiled when it is asked for, not all of it at the start.
            path.write_text(fresh, encoding="utf-8")
            stamp.write_text(
                _answer(copy, "import compiling; print(compiling.state())", copy / "tests")
            )
            yield
        finally:
            if before is not None:
                stamp.write_bytes(before)
            for loop in package.rglob("*.nb[ic]"):
                loop.unlink()
            for loop, saved in kept.items():
                os.link(saved, loop)


def changed_names(package: Path, path: Path, text: str, fresh: str) -> dict[str, set[str]]:
    """Functions and figures that differ, or use one that does, by the name of their file."""
    sources = {p: p.read_text(encoding="utf-8") for p in package.rglob("*.py")}
    trees = {p.stem: ast.parse(own) for p, own in sources.items() if _COMPILED.search(own)}
    old, new = _definitions(ast.parse(text)), _definitions(ast.parse(fresh))
    differ = {name for name in old.keys() | new.keys() if _same(old, name) != _same(new, name)}
    changed: dict[str, set[str]] = defaultdict(set, {path.stem: differ})
    before = -1
    while before != (before := sum(map(len, changed.values()))):
        for stem, tree in trees.items():
            seen = changed[stem] | _taken(tree, changed)
            changed[stem] |= {n for n, node in _definitions(tree).items() if _uses(node) & seen}
    return changed


def _definitions(tree: ast.Module) -> dict[str, ast.stmt]:
    """What a file defines at its top, by name."""
    found: dict[str, ast.stmt] = {}
    for node in tree.body:
        if isinstance(node, ast.FunctionDef):
            found[node.name] = node
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            names = [
                n.id for target in targets for n in ast.walk(target) if isinstance(n, ast.Name)
            ]
            found |= dict.fromkeys(names, node)
    return found


def _same(definitions: dict[str, ast.stmt], name: str) -> str:
    return ast.dump(definitions[name]) if name in definitions else ""


def _taken(tree: ast.Module, changed: dict[str, set[str]]) -> set[str]:
    """The changed names that a file takes from others."""
    found = set()
    for node in tree.body:
        if isinstance(node, ast.ImportFrom):
            names = {alias.name for alias in node.names}
            found |= names & changed.get((node.module or "").rpartition(".")[2], set())
            found |= {name for room in names for name in changed.get(room, ())}
    return found


def _uses(node: ast.stmt) -> set[str]:
    names = {n.id for n in ast.walk(node) if isinstance(n, ast.Name)}
    return names | {n.attr for n in ast.walk(node) if isinstance(n, ast.Attribute)}


def told(mutation: Mutation) -> str:
    """A fault on one line."""
    before, after = (" ".join(part.split()) for part in (mutation.before, mutation.after))
    return f"{mutation.file}: {before}  ->  {after}"


def main() -> int:
    """Tries the faults; the exit status."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.mutations", description=__doc__.split("\n")[0]
    )
    parser.add_argument("--only", metavar="WORD", default="", help="in the name of file or test")
    parser.add_argument("--list", action="store_true", help="only say which faults there are")
    parser.add_argument("--trust", action="store_true", help="the tests are known to pass")
    asked = parser.parse_args()
    chosen = [m for m in MUTATIONS if any(asked.only in name for name in (m.file, *m.tests))]
    if asked.list:
        for mutation in chosen:
            print(told(mutation))
        print(f"{len(chosen)} faults in {len({m.file for m in chosen})} files.")
        return 0
    with tempfile.TemporaryDirectory(prefix="stackkit-mutations-") as name:
        return _all(copied(Path(name).resolve()), chosen, asked.trust)


def _all(copy: Path, chosen: Sequence[Mutation], trust: bool) -> int:
    check(copy)
    if not trust:
        status, failed = tested(copy, sorted({name for m in chosen for name in m.tests}))
        if status != 0:
            print("Without any fault these tests fail:", *failed, sep="\n  ")
            return 2
    counts: Counter[str] = Counter()
    for mutation in chosen:
        begin = time.monotonic()
        fate, why = tried(copy, mutation)
        counts[fate] += 1
        words = why if fate == CAUGHT else f"{why} {told(mutation)} [{', '.join(mutation.tests)}]"
        print(f"{fate:<8} {mutation.file} {time.monotonic() - begin:.0f} s  {words}", flush=True)
    print(", ".join(f"{counts[fate]} {fate.lower()}" for fate in (CAUGHT, SURVIVED, BROKEN)))
    return 0 if counts[CAUGHT] == len(chosen) else 1


if __name__ == "__main__":
    sys.exit(main())
