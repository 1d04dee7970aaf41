"""Errors a user can act on: one line, no traceback."""


class UserError(Exception):
    """The user's input or settings cannot be used; the message is the whole story.

    ``exit_code`` follows the command line's contract: 2 means unusable. What cannot be printed, as
    a line break in a name that somebody gave, is written as its escape: one line stays one line.
    """

    exit_code = 2

    def __init__(self, message: str) -> None:
        super().__init__("".join(c if c.isprintable() else ascii(c)[1:-1] for c in message))


class BrokenInvariantError(UserError):
    """Results contradict themselves, so that they must not be published."""


class UnreadableFileError(Exception):
    """A file that yields no rows at all; the message says what was found and what is accepted."""
