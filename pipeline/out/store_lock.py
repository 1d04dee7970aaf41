"""OUT under an address, held by one run at a time.

A store lets go of nothing when a process ends. So the lock is an object that says who holds it and
is written again while the run works; one that was not written again for some minutes is of a run
that was stopped, and may be taken. It is only ever written over the version that was read: of two
runs that take it at once, one is refused by the store. Ages are by the store's clock alone.
"""

import datetime as dt
import os
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

from pipeline.errors import UserError
from pipeline.lake.object_store import ChangedError, Content, Only, Store
from pipeline.out.holding import LOCK
from pipeline.places import Address

RENEW_S = 30.0
LAPSE_S = 300.0
NO_SUCH_VERSION = Only('"00000000000000000000000000000000"')


@contextmanager
def held(store: Store, out: Address, tell: Callable[[str], None]) -> Iterator["Held"]:
    """OUT for this run alone.

    Raises
    ------
    UserError
        Another run holds it, or the store cannot keep two runs apart.
    """
    lock = Held(store, out, _who())
    lock.take(tell)
    ended = threading.Event()
    renewing = threading.Thread(target=lock.keep, args=(ended,), daemon=True)
    renewing.start()
    try:
        yield lock
    finally:
        ended.set()
        renewing.join()
        lock.release()


def _who() -> str:
    since = dt.datetime.now().astimezone()
    return f"process {os.getpid()} on {socket.gethostname()}, since {since:%Y-%m-%d %H:%M:%S %z}"


@dataclass(slots=True)
class Held:
    """The lock of one OUT, and the version of it that this run wrote last."""

    store: Store
    out: Address
    who: str
    etag: str = ""
    written: int = 0
    lost: bool = False
    writing: threading.Lock = field(default_factory=threading.Lock)

    @property
    def address(self) -> Address:
        return self.out / LOCK

    def take(self, tell: Callable[[str], None]) -> None:
        found = self.store.read(self.address)
        holder = _holder(found)
        if found and holder:
            self._require_lapsed(found, holder)
            tell(
                f"An earlier run was stopped before its end ({holder}); what it began is made again"
            )
        try:
            self._write(Only(found.etag if found else None))
        except ChangedError:
            raise UserError(f"{self.out}: another run has just begun there") from None
        self._require_conditions()

    def _require_lapsed(self, found: Content, holder: str) -> None:
        left = LAPSE_S - found.age_s
        if left > 0:
            raise UserError(
                f"{self.out}: another run is at work there: {holder}; its lock was renewed "
                f"{max(found.age_s, 0):.0f} s ago; should it have been stopped, the lock lapses in "
                f"{left:.0f} s"
            )

    def _require_conditions(self) -> None:
        """A store that takes no notice of conditions would let every run in."""
        for only in (Only(None), NO_SUCH_VERSION):
            with suppress(ChangedError):
                self.store.put(self.address, b"", only)
                raise UserError(
                    f"{self.out}: the store writes over an object that it was asked to leave; "
                    "accepted: a store that heeds If-None-Match and If-Match"
                )

    def _write(self, first: Only | None = None) -> None:
        with self.writing:
            self.written += 1  # no two versions are alike
            text = f"{self.who}\nwritten {self.written} times\n"
            only = first or Only(self.etag)
            self.etag = self.store.put(self.address, text.encode(), only)

    def keep(self, ended: threading.Event) -> None:
        """Write the lock again and again until the run has ended."""
        while not ended.wait(RENEW_S) and not self.lost:
            with suppress(OSError, UserError):  # the store may be back before the lock has lapsed
                self._renew()

    def _renew(self) -> None:
        try:
            self._write()
        except ChangedError:
            self.lost = True

    def require(self) -> None:
        """Raise where another run has taken the lock; for some minutes from now none can.

        Raises
        ------
        UserError
            Another run has.
        """
        if not self.lost:
            self._renew()
        if self.lost:
            raise UserError(
                f"{self.out}: another run took over while this one's lock had lapsed; nothing of "
                "this one was written"
            )

    def release(self) -> None:
        """Leave the lock empty; where that fails it lapses."""
        if not self.lost:
            with suppress(OSError, UserError, ChangedError):
                self.store.put(self.address, b"", Only(self.etag))


def _holder(found: Content | None) -> str:
    """Who signed the lock and when; empty where nobody is in."""
    return found.data.decode(errors="replace").partition("\n")[0][:200] if found else ""
