"""The month's page and its charts: frames in, one self-contained file out.

Start with ``page_data`` (what the page is made from) and ``page``. Nothing is imported here, so
that whoever needs a sentence does not load the drawing library.
"""
