"""A share of the campaign of mutated files (``tests/fuzz``), and whether it would notice."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from command_line import contents, good, reasons
from fuzz.anatomy import OPCODES, anatomy
from fuzz.look import examine, wrong
from fuzz.run import Campaign, outcomes, table, written
from fuzz.samples import Sample, samples
from grids import corners

from stackkit.raw.decode import FileKind, Mosaic, RawFileError

SHARE = 500
"""Files; the whole campaign is ``python -m tests.fuzz.run``."""


@pytest.fixture(autouse=True)
def _findable(monkeypatch: pytest.MonkeyPatch) -> None:
    """The processes that read can find what they are to call."""
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent))


@pytest.mark.parametrize("sample", samples(), ids=lambda sample: sample.name)
def test_samples_are_whole(tmp_path: Path, sample) -> None:
    path = tmp_path / f"a{sample.suffix}"
    path.write_bytes(sample.data)
    seen = examine(path)
    assert isinstance(seen.mosaic, Mosaic)
    assert wrong(seen, path) == []
    parts = anatomy(sample.data)
    assert parts.entries
    assert parts.parts
    assert all(0 < start < end <= len(sample.data) for start, end in parts.parts)
    assert len(parts.lists) == sum(entry.code in OPCODES for entry in parts.entries)


def test_a_number_is_always_the_same_file() -> None:
    one, other = Campaign(1), Campaign(1)
    for number in range(50):
        assert one.file(number) == other.file(number)
    made = [one.file(number)[1] for number in range(300)]
    assert len({mutant.data for mutant in made}) > 280
    assert len({deed for mutant in made for deed in mutant.deeds}) > 20


@pytest.mark.parametrize("share", corners((SHARE // 4, SHARE), [SHARE // 4]))
def test_nothing_goes_wrong_with_some_hundred_files(share: int) -> None:
    found = list(outcomes(Campaign(77), range(share)))
    assert [outcome for outcome in found if outcome.faults] == []
    refused = sum(bool(outcome.reason) for outcome in found)
    assert share / 3 < refused < share * 2 / 3 + share / 10
    told = table(found, 77)
    assert f"{share} files" in told
    assert "failures: 0" in told


@pytest.mark.slow
def test_a_folder_with_damaged_files_among_the_good(small_night: Path, tmp_path: Path) -> None:
    folder = tmp_path / "night"
    shutil.copytree(small_night, folder)
    good_ones = sorted(folder.glob("*.dng"))
    own = [Sample(path.name, path.suffix, path.read_bytes()) for path in good_ones]
    same = Campaign(3, tuple((sample, anatomy(sample.data)) for sample in own))
    for number in range(8):
        written(same, number, folder)  # as large as the good ones, and of their camera
        written(Campaign(4), number, folder)
    before = contents(folder)
    text = good("stack", folder, "--out", tmp_path / "out")
    assert max(map(len, text.splitlines())) <= 200
    why = reasons(tmp_path / "out")
    assert not why.keys() & {path.name for path in good_ones}
    assert len(why) >= 8
    assert all(reason and "\n" not in reason and "Error" not in reason for reason in why.values())
    assert contents(folder) == before


def test_what_must_not_be_is_noticed(tmp_path: Path) -> None:
    whole = next(sample for sample in samples() if sample.name == "all opcodes")
    path = tmp_path / "a.dng"
    path.write_bytes(whole.data)
    seen = examine(path)
    mosaic = seen.mosaic
    assert isinstance(mosaic, Mosaic)

    def noticed(**changes: object) -> str:
        return "; ".join(wrong(replace(seen, mosaic=replace(mosaic, **changes)), path))

    assert "white 3" in noticed(white=3.0)
    assert "balance" in noticed(balance=(1.0, np.nan, 1.0))
    assert "its kind is" in noticed(data=mosaic.data[:, 2:])
    assert "remark" in noticed(remarks=("one\ntwo",))
    for reason in ("ValueError: no", "two\nlines", "black nan", "at 0x7ffee"):
        assert wrong(replace(seen, mosaic=RawFileError(path, reason)), path)
    assert wrong(replace(seen, mosaic=RawFileError(tmp_path, "cut short")), path)
    assert wrong(replace(seen, warned=("RuntimeWarning: mean of empty slice",)), path)
    assert wrong(replace(seen, metadata=replace(seen.metadata, exposure=np.inf)), path)
    assert wrong(replace(seen, kind=FileKind(seen.kind.form, (1, 2))), path)
