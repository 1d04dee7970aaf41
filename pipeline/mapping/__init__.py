"""A fleet's own files: what they are taken for, and how they are read from then on.

Start at ``command`` (``drumline map``) and follow it down; loading enters at ``tables`` and
``applying``. Two ways through the same modules:

* *looking*, once: ``grids`` (bytes → grids of text) → ``shapes`` (cards, rows per reading and, by
  ``layouts``, columns per day → plain tables) → ``headings`` (every word of a heading must be
  understood, by ``words``) → ``findings`` (headings held against a sample of cells) →
  ``questions`` → ``writing`` (a commented part of ``fleet.toml``).
* *reading*, every month: ``grids`` → ``shapes`` → ``tables`` (which ``[[files]]`` fits which
  heading) → ``applying`` (rows of the contract, by ``reading`` for numbers and days and
  ``job_lines`` for job lines). ``pipeline.lake.registers`` derives wheel ends where no register
  lists them.

The one rule: a guess is never silent, and never turns a reading into another unit, side, axle or
day. What is not understood is left alone and told. ``tests/pipeline/mapping/test_misreadings.py``
draws tables against it.

Libraries weighed. Used: *babel*, for names of months in fifteen languages (CLDR's, better than any
list of ours); *python-calamine*, since a workbook's own numbers and days must be told from text in
the same column, and fastexcel gives a column one type. Not used: *rapidfuzz*, since near misses
must not match at all; *pint*, since six units need a table of six factors, and a parser of units
understands too much; *charset-normalizer*, since headings are too short for its statistics, while
three code pages can be told apart by the words they make (``pipeline.lake.encodings``);
*clevercsv*, since it is slow on large files, and what separates cells shows in the first lines.
"""
