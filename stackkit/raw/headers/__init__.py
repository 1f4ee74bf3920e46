"""Metadata of files, without decoding their samples.

Takes a path or its bytes; gives ``Metadata`` (``metadata``), what the file has to offer (``kinds``)
and whether it may be read at all (``checks``, ``layout``, ``codestreams``).
"""
