"""What the command line does: running, checking, asking, sheets, and what each says.

In: the lake, or the warehouse that the last run left. Out: lines on the terminal, and files in OUT.
A command's module is imported when the command is given, so that none waits for another's library.
"""

CAUTION = (
    "Figures are estimates from records, not an inspection; "
    "a wheel end without a flag is not thereby safe."
)
