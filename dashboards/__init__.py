"""The month's page, its charts and the workshop sheets: frames in, self-contained files out.

Start with ``page_data`` (what the page is made from) and ``page``. Nothing is imported here, so
that whoever needs a sentence does not load the drawing library.
"""
