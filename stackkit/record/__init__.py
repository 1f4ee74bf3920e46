"""The record of a run as plain data.

Takes the stages' results; ``run`` puts the record together, ``geometry`` and ``picture`` are parts
of it, ``night_events`` lists the events of the night in order, ``advice`` what to do next time.
``file`` writes, reads and checks records.
"""
