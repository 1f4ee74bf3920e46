"""A process that reads files for another one: requests on standard input, answers on output.

Both are pickles: (function, path) in, (whether it went well, result or error) out.
"""

from __future__ import annotations

import ctypes
import os
import pickle
import sys
from contextlib import suppress

_PERTURB = -6
_MOST_BYTES = 4 * 2**30
"""Memory that one process may take: files are checked before, this is for what the check missed."""


def main() -> None:
    """Answer requests until the input ends."""
    with suppress(ImportError, ValueError, OSError):
        import resource  # not on every system

        resource.setrlimit(resource.RLIMIT_DATA, (_MOST_BYTES, _MOST_BYTES))
    with suppress(OSError, AttributeError):
        # Memory comes blank (glibc, mallopt(3)), not with what is left of the file before: where a
        # decoder gives up silently, another frame's data must not appear.
        ctypes.CDLL(None).mallopt(_PERTURB, 0xFF)
    requests = sys.stdin.buffer
    answers = os.fdopen(os.dup(1), "wb")
    # What a decoder prints must not get between the answers.
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    while True:
        try:
            function, path = pickle.load(requests)
        except EOFError:
            return
        try:
            answer = True, function(path)
        except Exception as error:
            answer = False, error
        pickle.dump(answer, answers, protocol=pickle.HIGHEST_PROTOCOL)
        answers.flush()
        del answer  # a mosaic, or what a failure's traceback holds: not in memory with the next


if __name__ == "__main__":
    main()
