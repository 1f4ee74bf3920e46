"""Which files are pictures of the sky, and which of them are stacked together.

Takes folders and files; ``discover`` finds them, ``duplicates`` drops copies, ``grouping`` parts
them by camera, time and settings, ``by_sky`` by what they were aimed at.  Gives one session.
"""
