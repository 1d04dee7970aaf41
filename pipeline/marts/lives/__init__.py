"""The adjusters' chapter of the marts: lives, causes, effects, comparisons, decisions.

In: counts and spells from ``reduce``. Out: the ``mart.adjuster_*`` tables and what follows of them;
ages in km, or weeks where a column says so.

Start with ``schemas``, then ``fits``; ``chapter`` puts the rest together.
"""
