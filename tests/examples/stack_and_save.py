"""Stack a folder and save the picture: ``python stack_and_save.py my_night result``."""

import sys
from pathlib import Path

import stackkit

night, out = sys.argv[1:]
result = stackkit.stack([night])
Path(out).mkdir(exist_ok=True)
stackkit.write(result, out)
print(f"{len(result.record['frames'])} frames, {result.stack.value.shape[2]} px wide")
