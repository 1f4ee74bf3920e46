"""A night planned before leaving the house: when, where to point, what to set, what to take.

``places`` where and in which zone, ``ephemeris`` where Sun, Moon and stars stand, ``events`` when
they cross an altitude, ``night`` one night, ``moonlight`` the sky's brightness, ``ranking`` which
night, ``targets`` what stands well in it, ``camera``, ``exposure`` and ``series`` what to set,
``like`` what a test frame tells, ``checklist`` what to take and heed.  ``planner`` goes the whole
way, ``account`` puts it into plain data with the sentences of ``words`` and the figures of
``chart``; ``invitation`` makes a calendar entry of that.
"""
