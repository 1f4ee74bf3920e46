"""DNG opcode lists: the corrections that a file asks for (DNG 1.7.1, chapter 7).

Takes the bytes of a list (``lists``); ``tables`` reads and checks them, ``apply`` carries them out
on a mosaic by the ``arithmetic`` of the specification.
"""
