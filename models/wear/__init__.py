"""How fast linings wear, by axle type and duty, and where each lining stands.

In: the sums of ``sql/30_reduce/110`` to ``140``, one row per lining life, instrument and duty. Out:
rates (mm per 10,000 km) with standard errors and intervals, spreads (mm; mm per 10,000 km), and a
line per lining life.

    lining = start[axle type] - sum over duties of rate[axle type, duty] * km / 10,000 + own start
             + own slope + the unit's slope + error

Start with ``fit``, then ``predict``. ``pointers`` adds the camshaft's wear pointer as a second
instrument, ``shrinkage`` holds thin groups to their neighbours, ``shape`` asks whether a straight
line is right at all, and has a scale of thickness on which it is, where wear quickens or slows as
linings thin: all that is in mm above is on that scale then, new linings and minima where they are.
"""
