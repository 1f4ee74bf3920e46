"""Mutated files through reading: whole samples, ways of damaging them, and the campaign."""

import sys
from pathlib import Path

# The samples' parts lie beside the tests, where pytest finds them by itself.
_TESTS = str(Path(__file__).parent.parent)
if _TESTS not in sys.path:
    sys.path.insert(0, _TESTS)
