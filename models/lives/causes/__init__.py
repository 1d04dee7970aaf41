"""How an adjuster's time ends, cause by cause, and how often a wheel end's is replaced.

In: ages at entry, last known good, end, and the cause (failure causes, planned replacement). Out:
cumulative incidence by cause with limits, and the mean number of replacements by age.

Start with ``interval_incidence`` (ends found at inspections); ``recurrent`` counts replacements of
a wheel end.
"""
