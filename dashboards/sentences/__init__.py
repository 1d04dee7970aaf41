"""What the page says in words and numbers, in the fleet's own units.

In: mart frames and the fleet's settings, in mm, km and the fleet's currency. Out: sentences.

Start with ``words`` and ``measures``.
"""
