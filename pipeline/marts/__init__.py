"""The ``mart`` tables: schemas, and what fills them from fits. MARTS.md lists every column.

In: ``stage`` and ``reduce`` tables, and what stages found (``results``). Out: rows of schema
``mart``, validated before they are written.

Start with ``marts`` (the schemas); ``wear``, ``adjustment``, ``status``, ``budget`` and ``flags``
each fill their own, ``lives`` those of the adjusters.
"""
