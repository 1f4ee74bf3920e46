"""The campaign: thousands of mutated files through reading, and what came of them.

    python -m tests.fuzz.run --count 20000 --seed 1
    python -m tests.fuzz.run --seed 1 --only 4711 --keep .

The file number N of a seed is always the same.  Ends with status 1 if anything went wrong: a
traceback, a warning, more than ten seconds or two gigabytes, values that cannot be.
"""

from __future__ import annotations

import argparse
import os
import re
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from stackkit.raw.decode import RawFileError
from stackkit.run.readers import Read, readers

from .anatomy import Anatomy, anatomy
from .look import Seen, examine, forget_peak, memory, wrong
from .mutations import Mutant, mutant
from .samples import Sample, samples

SECONDS = 10.0
BYTES = 2 * 2**30
_CALLS = 5
"""Calls in a row that one look at a file makes."""
_AT_ONCE = 64


@dataclass(frozen=True)
class Outcome:
    """What came of file ``number``: ``reason`` in words, why it was refused ("" if it was not);
    ``faults`` what must not be; seconds and bytes where they are known.
    """

    number: int
    label: str
    reason: str
    faults: tuple[str, ...]
    seconds: float
    peak: int = 0
    taken: int = 0
    own_seconds: float = 0.0
    own_peak: int = 0
    crashed: bool = False


@dataclass
class Campaign:
    """The whole samples of a seed, of which each number makes one file."""

    seed: int
    wholes: tuple[tuple[Sample, Anatomy], ...] = field(
        default_factory=lambda: tuple((s, anatomy(s.data)) for s in samples())
    )

    def file(self, number: int) -> tuple[Sample, Mutant]:
        """File ``number``: the sample it came from, and what it became."""
        rng = np.random.default_rng([self.seed, number])
        sample, parts = self.wholes[int(rng.integers(len(self.wholes)))]
        return sample, mutant(sample.data, parts, rng)


def written(campaign: Campaign, number: int, folder: Path) -> tuple[Path, str]:
    """Writes file ``number``; its place and what it is."""
    sample, made = campaign.file(number)
    path = folder / f"{campaign.seed}_{number}{sample.suffix}"
    path.write_bytes(made.data)
    if made.room:
        os.truncate(path, len(made.data) + made.room)
    return path, f"{sample.name} ({', '.join(made.deeds)})"


def outcomes(campaign: Campaign, numbers: range, jobs: int = 2) -> Iterator[Outcome]:
    """What comes of these files, read by ``jobs`` processes."""
    with (
        tempfile.TemporaryDirectory() as name,
        readers(jobs, patience=_CALLS * SECONDS) as read,
        ThreadPoolExecutor(jobs) as pool,
    ):
        folder = Path(name)

        def one(number: int) -> tuple[Path, str, Seen | Exception, float]:
            path, label = written(campaign, number, folder)
            start = time.perf_counter()
            seen = _seen(read, path)
            return path, label, seen, time.perf_counter() - start

        for first in range(0, len(numbers), _AT_ONCE):
            some = numbers[first : first + _AT_ONCE]
            for number, (path, label, seen, seconds) in zip(some, pool.map(one, some), strict=True):
                yield _judged(number, path, label, seen, seconds)
                path.unlink()


def _seen(read: Read, path: Path) -> Seen | Exception:
    try:
        return read(examine, path)  # type: ignore[no-any-return]
    except Exception as fault:
        return fault


def _judged(number: int, path: Path, label: str, seen: Seen | Exception, seconds: float) -> Outcome:
    if isinstance(seen, RawFileError):  # the process itself ended
        crashed = "crashed" in seen.reason
        faults = () if crashed else (f"no end: {seen.reason}",)
        return Outcome(number, label, seen.reason, faults, seconds, crashed=crashed)
    if isinstance(seen, Exception):
        told = f"{type(seen).__name__} came out of reading: {seen}"
        return Outcome(number, label, told, (told,), seconds)
    forget_peak()
    before, start = memory("VmRSS"), time.perf_counter()
    try:
        faults = wrong(seen, path)
    except Exception as fault:
        last = traceback.extract_tb(fault.__traceback__)[-1]
        where = f"{Path(last.filename).name}:{last.lineno}"
        faults = [f"{type(fault).__name__} in the main process ({where}): {fault}"]
    own_seconds, own_peak = time.perf_counter() - start, memory("VmHWM") - before
    if max(seen.seconds, own_seconds) > SECONDS:
        faults.append(f"{seen.seconds:.1f} s to read, {own_seconds:.1f} s to use")
    if max(seen.peak, own_peak) > BYTES:
        faults.append(f"{seen.peak / 2**20:.0f} MiB to read, {own_peak / 2**20:.0f} MiB to use")
    reason = seen.mosaic.reason if isinstance(seen.mosaic, RawFileError) else ""
    return Outcome(
        number,
        label,
        reason,
        tuple(faults),
        seen.seconds,
        seen.peak,
        seen.taken,
        own_seconds,
        own_peak,
    )


def table(found: list[Outcome], seed: int, most: int = 25) -> str:
    """The figures of a campaign."""
    refused = Counter(_alike(o.reason) for o in found if o.reason)
    crashes = [o for o in found if o.crashed]
    failed = [o for o in found if o.faults]
    lines = [
        f"seed {seed}: {len(found)} files, {len(found) - refused.total()} accepted, "
        f"{refused.total()} refused, {len(crashes)} reading processes died",
        f"failures: {len(failed)}",
        *_extreme("slowest to read", found, "seconds", 1, "s"),
        *_extreme("slowest to use", found, "own_seconds", 1, "s"),
        *_extreme("most memory to read", found, "peak", 2**20, "MiB"),
        *_extreme("most address space to read", found, "taken", 2**20, "MiB"),
        *_extreme("most memory to use, above before", found, "own_peak", 2**20, "MiB"),
        "refused because:",
        *(f"  {count:6d}  {reason}" for reason, count in refused.most_common(most)),
    ]
    others = sorted(refused.values())[: max(len(refused) - most, 0)]
    lines += [f"  {sum(others):6d}  {len(others)} other reasons"] if others else []
    lines += [f"died: --only {o.number}  {o.label}" for o in crashes[:most]]
    faults: dict[str, list[Outcome]] = {}
    for outcome in failed:
        for fault in outcome.faults:
            faults.setdefault(_alike(fault), []).append(outcome)
    for fault, those in sorted(faults.items(), key=lambda item: -len(item[1])):
        lines.append(
            f"FAILED {len(those)} times: {those[0].faults[0] if len(those) == 1 else fault}"
        )
        lines += [f"  --only {outcome.number}  {outcome.label}" for outcome in those[:4]]
    return "\n".join(lines)


def _extreme(words: str, found: list[Outcome], figure: str, unit: float, name: str) -> list[str]:
    worst = max(found, key=lambda outcome: float(getattr(outcome, figure)))
    value = getattr(worst, figure) / unit
    return [f"{words}: {value:.3g} {name} (--only {worst.number}, {worst.label})"]


def _alike(reason: str) -> str:
    """The reason without its figures."""
    return re.sub(r"-?\d[\d.e+]*", "n", reason)


def main() -> int:
    """Read the options, run the files, print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz.run", description=__doc__)
    parser.add_argument("--count", type=int, default=20_000, help="files of the seed")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", type=int, help="the number of the one file to run")
    parser.add_argument("--keep", type=Path, help="folder where the one file is left")
    parser.add_argument("--jobs", type=int, default=2, help="processes that read")
    options = parser.parse_args()
    campaign = Campaign(options.seed)
    numbers = range(options.count)
    if options.only is not None:
        numbers = range(options.only, options.only + 1)
        if options.keep:
            print(*written(campaign, options.only, options.keep))
    found = []
    for outcome in outcomes(campaign, numbers, options.jobs):
        found.append(outcome)
        if outcome.number % 1000 == 999:
            print(f"{outcome.number + 1} files …", file=sys.stderr)
    print(table(found, options.seed))
    return int(any(outcome.faults for outcome in found))


if __name__ == "__main__":
    sys.exit(main())
