"""The deliberate faults still fit the sources, and the tests that must see them are there."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from mutation_list import MUTATIONS, Mutation

ROOT = Path(__file__).parents[1]


@cache
def text(path: Path) -> str:
    return path.read_text(encoding="utf-8") if path.is_file() else ""


def flaw(mutation: Mutation) -> str:
    """What is wrong with an entry; empty when nothing is."""
    if text(ROOT / mutation.file).count(mutation.before) != 1:
        return "what it changes is not there exactly once"
    if mutation.before == mutation.after:
        return "it changes nothing"
    if not 1 <= len(mutation.tests) <= 2:
        return "it names no test, or too many"
    for name in mutation.tests:
        file, _, test = name.partition("::")
        if f"def {test or 'test_'}" not in text(ROOT / "tests" / file):
            return f"there is no test {name}"
    return ""


def test_each_fault_can_be_made_and_has_its_tests() -> None:
    told = [f"{m.file}: {m.before!r}: {flaw(m)}" for m in MUTATIONS if flaw(m)]
    assert not told, "\n".join(told)


def test_no_fault_is_there_twice_and_there_are_many() -> None:
    assert len({(m.file, m.before, m.after) for m in MUTATIONS}) == len(MUTATIONS) >= 45
