"""Whether linings fitted since some quarter wear otherwise than those before, and by how much.

In: the sums of lining lives with the day each was fitted, and their wear fit. Out: the fit with
such linings as axle types of their own (a start and rates of their own), and how the rates compare.

Start with ``fit``; ``scan`` says whether there is a change and since when, ``names`` how linings
fitted before and since are told apart, ``told`` what is told of it.
"""
