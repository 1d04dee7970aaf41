"""Changes in time: a dated one, judged against units that did not change, and a slow one.

In: monthly figures of units, and the day of a change. Out: its effect with interval and p, or the
month from which a fleet's rate has drifted.

Start with ``interrupted`` (a dated change), then ``course`` (a slow worsening).
"""
