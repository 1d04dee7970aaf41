"""What is said of fitted lives: curves to draw, whether they fit, figures averaged over
distributions, bounds where failures are few, and the ages that were watched without a break.

In: counts of adjusters (ages in km or weeks) and fits of ``models.lives.fits``. Out: frames, tests
and bounds, in the unit of the ages. Start with ``few_failures``, then ``goodness_of_fit`` and
``curves``.
"""
