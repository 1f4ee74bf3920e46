"""Progress of a step, and how long it took."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

Progress = Callable[[str, int, int], None]
"""Called with the step's name, how many are done, and how many there are."""


@dataclass
class Clock:
    """Seconds by step."""

    seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        """Counts the block under this name."""
        start = time.perf_counter()
        yield
        self.seconds[name] = round(time.perf_counter() - start, 3)
