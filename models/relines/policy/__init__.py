"""How this fleet decides to reline, estimated from what it read and did at check visits.

In: one row per axle and visit: readings (mm above the minimum) of one or both ends, and which were
relined. Out: the chance to be relined by the lining that is left, whether the other end and other
axles go along, and how often a reline that was due is missed; with covariance.

Symbols: mm above the minimum; probabilities on the logit scale.

Start with ``decisions`` (the data), ``likelihood`` (the model), ``policy`` (the fit); ``hazard`` is
what forecasts look up.
"""
