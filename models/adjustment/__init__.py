"""Which wheel ends drift out of adjustment, why, and which to look at first.

In: stroke readings since each setting with the wear since then (``strokes``), return tests, caps,
marks and faults. Out: per wheel end the probability of each state, of being out of band now and at
the next check, a flag, a priority, and the evidence.

Symbols: stroke ratio = free stroke / arm length (fraction); take-up = share of wear taken up
(1 keeps pace, 0 stuck, above 1 too much); deficit = 1 - take-up; wear in mm; weeks since setting.

Start with ``judge``: it learns a fleet's parameters and judges wheel ends by them. ``states`` turns
explanations into states, ``flags`` chooses the limit for a stated rate of false flags.
"""
