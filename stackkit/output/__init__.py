"""From the stack and the record to files, one module per format.

Takes a ``Result``; ``write`` writes all its files, or none.
"""
