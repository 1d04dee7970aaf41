"""Whether linings wear otherwise since some day, those fitted since or all, and by how much.

In: the sums of lining lives with the day each was fitted, single readings of some units, and the
wear fit. Out: the fit with linings fitted since a quarter as axle types of their own (a start and
rates of their own), km run since a day as duties of their own, and how the rates compare.

Start with ``fit``; ``scan`` says whether there is a change by the day of fitting and since when,
``by_day`` whether there is one of all linings, ``names`` how before and since are told apart,
``told`` what is told of it.
"""
