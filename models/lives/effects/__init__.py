"""What makes adjusters live longer or shorter: ratios with limits and tests.

In: segments of age with one set of covariates each (duty, greasing, cap state), adjusters clustered
in units. Out: hazard ratios and time ratios (exp b) with profile limits, likelihood-ratio tests,
robust inflation by unit, pairs of duties with Holm-adjusted p.

Start with ``watched`` (which terms can be told apart), ``segments`` (what goes in) and
``regression`` (the way in); ``proportional_hazards`` and ``accelerated`` are its two likelihoods,
``frailty`` asks how much units differ.
"""
