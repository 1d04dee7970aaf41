"""Life distributions of one group of adjusters, with and without an assumed shape.

In: three tables of counts by age: failed in (left, right], still good at an age, entered at an age.
Out: Weibull, lognormal and log-logistic fits with profile-likelihood limits and AIC, and the
survival curve that assumes none with its intervals.

    log L = sum failed log[S(L) - S(R)] + sum censored log S(C) - sum entered log S(V)

theta = (mu, tau): mu = log scale, tau = log sigma, z = (log age - mu) / sigma; B10 = age by which
a tenth has failed.

Start with ``data``, then ``likelihood`` and ``parametric``; ``npmle`` for the free curve.
"""
