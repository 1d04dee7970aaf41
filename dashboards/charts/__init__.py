"""The page's charts by chapter: frame in, figure out, its conclusion computed into the title.

In: mart frames, in mm, km and the fleet's currency; ``sentences.measures`` turns them into the
fleet's units. Out: Altair charts with units on their axes, uncertainty drawn, n stated.

Start with ``wear``, the simplest; ``flags`` and ``relines`` are what the manager reads.
"""
