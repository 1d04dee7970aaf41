"""Loaded by every Python that has this folder on its path: notes any call that leaves this machine.

The list goes to the file that ``DRUMLINE_CALLS`` names, and the call is refused.
"""

import os
import socket
from typing import Any

LOG = os.environ["DRUMLINE_CALLS"]
HERE = ("127.", "::1", "localhost", "0.0.0.0")
real_connect, real_getaddrinfo = socket.socket.connect, socket.getaddrinfo


def _note(what: object) -> None:
    with open(LOG, "a", encoding="utf-8") as log:  # noqa: PTH123
        log.write(f"{what}\n")


def _connect(self: socket.socket, address: Any) -> None:
    if isinstance(address, tuple) and not str(address[0]).startswith(HERE):
        _note(address)
        raise OSError(f"refused: {address}")
    real_connect(self, address)


def _getaddrinfo(host: Any, *arguments: Any, **options: Any) -> Any:
    name = host.decode() if isinstance(host, bytes) else host
    if name and not str(name).startswith(HERE) and name != socket.gethostname():
        _note(host)
        raise socket.gaierror(f"refused: {host}")
    return real_getaddrinfo(host, *arguments, **options)


socket.socket.connect = _connect  # type: ignore[method-assign]
socket.getaddrinfo = _getaddrinfo
