"""The chapter that work is planned from: hours, costs, units, checks, parts and changes.

In: the marts of the planning chapter, as frames. Out: figures and sentences beside them, in the
fleet's units.

Start with ``charts``, then ``sentences``.
"""
