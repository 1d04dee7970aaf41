"""Where a lake or OUT is: a folder, or an address on S3-compatible object storage."""

import re
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import UserError

SCHEME = "s3://"
ACCEPTED = "a folder, or s3://BUCKET/PREFIX"


@dataclass(frozen=True, slots=True)
class Address:
    """A bucket and a key in it, or the beginning that keys under one address share."""

    bucket: str
    key: str

    def __str__(self) -> str:
        return f"{SCHEME}{self.bucket}/{self.key}".rstrip("/")

    def __truediv__(self, name: str) -> "Address":
        return Address(self.bucket, f"{self.key}/{name}" if self.key else name)

    @property
    def below(self) -> str:
        """What the key of everything below begins with."""
        return f"{self.key}/" if self.key else ""


Place = Path | Address


def place(text: str) -> Place:
    """The folder or address that was named.

    Raises
    ------
    UserError
        It is written as an address, but not as one of object storage.
    """
    if not re.match(r"[A-Za-z][A-Za-z0-9+.-]*://", text):
        return Path(text)
    bucket, _, key = text.removeprefix(SCHEME).partition("/")
    parts = key.strip("/").split("/")
    if not text.startswith(SCHEME) or not bucket or {".", ".."} & set(parts) or "" in parts[1:]:
        raise UserError(f"{text}: found no such kind of place; accepted: {ACCEPTED}")
    return Address(bucket, "/".join(parts))


def absolute(where: Place) -> str:
    """The same place, named so that it is found from any working folder."""
    return str(where.resolve() if isinstance(where, Path) else where)
