"""Where Sun, Moon and stars are in the sky of a place, and when it is dark.

Takes a place and times; gives altitudes (``ephemeris``), spans of time (``events``), one night
(``night``) and how bright the Moon makes the sky (``moonlight``).
"""
