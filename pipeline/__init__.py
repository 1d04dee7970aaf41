"""Reading, judging, staging, fitting and publishing a fleet's records.

In: a lake. Out: a warehouse and a month's publication. Start with ``run`` (the stages in order),
then ``cli``; ``contract`` and ``settings`` say what goes in.
"""

import os

# The models' matrices are small: more threads would only get in each other's way, and sums taken in
# another order would differ in their last digit. Must stand before numpy is first imported.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
