"""What a run stands on: threads and reading processes, the folder of intermediate files.

Takes the options of a run; gives the pool of ``workers``, the ``workspace`` on disk, the
``checkpoints`` from which a run that was stopped goes on, ``files`` that are whole or not there,
and the ``jit_cache`` where compiled loops are kept.
"""
