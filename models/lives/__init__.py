"""How long adjusters last, what shortens it, how their time ends, and what follows from it.

Failures are found at inspections (interval censoring), adjusters in service before the records were
seen only because they had survived (delayed entry), and some are replaced unasked (competing risk).

Rooms: ``fits`` (a distribution per group), ``findings`` (what is said of it), ``effects`` (ratios
between duties and circumstances), ``causes`` (ways to end, and recurring replacements),
``decisions`` (check intervals, planned replacement, failures to come). Ages are in one unit
throughout a call, km or weeks.
"""
