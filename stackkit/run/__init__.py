"""What a run stands on: threads and reading processes, the folder of intermediate files.

Takes the options of a run; gives the pool of ``workers``, the ``workspace`` on disk, the
``checkpoints`` from which an interrupted run goes on, and ``files`` that are whole or not there.
"""
