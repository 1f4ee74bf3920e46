"""From files to samples.

Takes a path; gives a ``Mosaic`` of the sensor's own samples, cropped and corrected as the file asks
(``decode``).  ``headers`` reads a file's metadata, ``opcodes`` applies the corrections of
DNG opcode lists, ``readers`` does all of it in processes of their own.
"""
