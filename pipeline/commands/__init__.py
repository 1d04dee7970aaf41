"""What the command line does besides running: asking, sheets, and what a run says at its end.

In: the warehouse that the last run left, and the lake. Out: lines on the terminal,
and files in OUT.
"""
