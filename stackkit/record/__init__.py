"""The record of a run as plain data, and the schemas that it fits.

Takes the stages' results; ``run`` puts the record together, ``geometry`` and ``picture`` are parts
of it, ``story`` says in order what happened in the night.  ``schema`` reads and checks records.
"""
