"""A month's publication: the page, the lists, the budget's workbook, and what they were made from.

In: the marts. Out: ``OUT/published/YYYY-MM``, whole or not at all.

Start with ``publishing``; ``page_frames`` gathers what the page draws, ``spreadsheets`` writes what
office software opens.
"""
