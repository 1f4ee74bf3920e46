"""From the stack and the record to files, one module a format.

Takes a ``Result``; ``write`` writes all its files, or none.
"""
