"""What all charts share: a theme, a few marks, the frame of a figure, and how a file carries it.

In: charts. Out: figures with conclusion, n, numbers and SQL beside them, as JSON or SVG.

Start with ``theme``, then ``marks`` and ``figure``; ``room`` says how much a page carries.
"""
