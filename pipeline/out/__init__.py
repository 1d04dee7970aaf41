"""OUT, a folder or an address, held by one run at a time. STORAGE.md says what is promised of it.

In: a place. Out: a warehouse to work in, put in place when every stage is done.

Start with ``outputs``; ``holding`` is a folder's lock, ``store_lock`` an address's.
"""
