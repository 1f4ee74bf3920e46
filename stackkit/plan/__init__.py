"""A night planned before leaving the house: when, where to point, what to set, what to take.

``sky`` gives the positions of Sun and Moon and the hours of darkness, ``ranking`` the best night,
``targets`` what is well placed in it, ``camera``, ``exposure`` and ``series`` the settings,
``like`` the measurements of a test frame, ``checklist`` what to take and be careful of.
``planner`` puts these together, ``record`` makes plain data of the plan with the sentences of
``words`` and the figures of ``chart``; ``invitation`` makes a calendar entry from that.
"""
