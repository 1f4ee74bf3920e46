"""What is in files and folders, and whether it is fit for stacking: a pipeline of its own.

``listing`` finds the files and their headers, ``facts`` measures one frame, ``sample`` what frames
of one setting share, ``motion`` what happens between frames, ``verdicts`` writes the sentences,
``record`` the plain data.  ``run`` does all of it.
"""

from stackkit.inspect.listing import survey
from stackkit.inspect.record import record
from stackkit.inspect.run import headers, inspect

__all__ = ["headers", "inspect", "record", "survey"]
