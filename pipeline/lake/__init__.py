"""What is in the lake: files found, read, and turned into typed rows.

In: a folder or an address; CSV, Parquet and XLSX. Out: tables of schema ``raw``, a content known by
its SHA-256, and one line for every cell that cannot be read. LAKE.md lists the columns.

Start with ``loading``; then ``lake`` (which files), ``files``, ``workbooks`` and ``old_workbooks``
(bytes to cells), ``cells`` (cells to values); ``object_store`` is the same under an address.
"""
