"""A night planned before leaving the house: when, where to point, what to set, what to take.

``sky`` holds where Sun and Moon stand and when it is dark, ``ranking`` which night, ``targets``
what stands well in it, ``camera``, ``exposure`` and ``series`` what to set, ``like`` what a test
frame tells, ``checklist`` what to take and heed.  ``planner`` goes the whole way, ``record`` puts
it into plain data with the sentences of ``words`` and the figures of ``chart``; ``invitation``
makes a calendar entry of that.
"""
