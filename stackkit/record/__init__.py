"""The record of a run as plain data, and the schemas that it fits.

Takes the stages' results; ``run`` puts the record together, ``geometry`` and ``picture`` are parts
of it, ``night_events`` says in order what happened in the night, ``advice`` what to do next time.
``schema`` reads and checks records.
"""
