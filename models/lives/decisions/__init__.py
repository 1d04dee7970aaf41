"""What fitted lives mean for a workshop: check intervals, planned replacement, failures to come.

In: a life distribution, ages now, km per day, costs in the fleet's currency. Out: cost per km or
per week by policy, months' failures with limits, the chance that a failed adjuster goes unseen.

Start with ``decisions``, then ``fleet``; ``failures`` follows adjusters from visit to visit.
"""
