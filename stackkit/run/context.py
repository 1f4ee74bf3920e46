"""What every stage of a run works with."""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass

from stackkit.run.progress import Progress
from stackkit.run.readers import Read
from stackkit.run.workspace import Workspace


@dataclass(frozen=True)
class Context:
    """A place for intermediate files, how files are read, threads, and the progress callback."""

    place: Workspace
    read: Read
    pool: Executor
    progress: Progress
