"""Whether one part lasts longer than another: wear and lives by what was fitted.

In: lining lives and adjuster lives with the part fitted (the fleet's words), the wear fit. Out:
ratios of wear rates and of lives with intervals and adjusted p, what else went with the choice of
part, and how many linings or failures it would take to tell two parts apart.

Symbols: rates in mm per 10,000 km; ratios without unit; v the variance of a rate.

Start with ``wear_ratios``, then ``assignment``, then ``sample_size``.
"""
