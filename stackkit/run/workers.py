"""The threads that work for a run, and the processes that read files for them."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any, TypeVar

from stackkit.errors import UsageError
from stackkit.run.readers import Read, readers

_Made = TypeVar("_Made")


def usual() -> int:
    """As many threads as there are cores."""
    return os.cpu_count() or 1


class Here(Executor):
    """Runs at once, in the thread that asks."""

    def submit(self, fn: Callable[..., _Made], /, *args: Any, **known: Any) -> Future[_Made]:
        """What ``fn`` returns; what it raises comes at once."""
        future: Future[_Made] = Future()
        future.set_result(fn(*args, **known))
        return future


HERE = Here()


@contextmanager
def workers(jobs: int | None) -> Iterator[tuple[Executor, Read]]:
    """``jobs`` threads (None: :func:`usual`), and as many readers; both end with the block.

    An interruption waits for none of them.  Raises ``UsageError`` for less than one.
    """
    if jobs is not None and jobs < 1:
        raise UsageError("The number of jobs must be 1 or more.")
    count = jobs or usual()
    with readers(count) as read, threads(count) as pool:
        yield pool, read


@contextmanager
def threads(count: int) -> Iterator[Executor]:
    """Threads that end with the block; an interruption waits for none of them."""
    pool = ThreadPoolExecutor(count)
    try:
        yield pool
    except KeyboardInterrupt:
        pool.shutdown(wait=False, cancel_futures=True)
        raise
    except BaseException:
        pool.shutdown(wait=True, cancel_futures=True)
        raise
    pool.shutdown(wait=True)
