"""Work ahead: visits, what is likely at each, parts to have, hours, and how often to check.

In: days at which relines reach given chances, adjusters' ages and lives, simulated demand. Out:
chances by visit, stock for a service level, hours of a month, check intervals and their worth.

Symbols: D futures, L wheel ends, V visits, M months; days from the as-of day.

Start with ``visits``, then ``stock`` and ``hours``; ``checks`` stands by itself.
"""
