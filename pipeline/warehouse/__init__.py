"""The DuckDB warehouse of a run: judging, staging and counting by the files in ``sql/``.

In: schema ``raw``. Out: schemas ``judge``, ``fate``, ``stage`` and ``reduce``; lengths in mm,
distances in km, ratios as fractions. SCALE.md says how large and how fast.

Start with ``warehouse`` (a SQL file is a table), then ``incremental`` (only units that changed) and
``judging``; ``invariants`` is asked before anything is published.
"""
