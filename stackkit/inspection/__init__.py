"""What is in files and folders, and whether it is fit for stacking: another end of the line.

``listing`` finds the files and their headers, ``facts`` measures one frame, ``sample`` what frames
of one setting share, ``motion`` what happens between frames, ``verdicts`` puts it into sentences,
``account`` into plain data.  ``look`` goes the whole way.
"""

from stackkit.inspection.account import SCHEMA, inspect_schema, record
from stackkit.inspection.listing import survey
from stackkit.inspection.look import headers, inspect

__all__ = ["SCHEMA", "headers", "inspect", "inspect_schema", "record", "survey"]
