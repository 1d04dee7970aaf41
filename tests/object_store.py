"""An S3-protocol server on loopback, in a process of its own, that writes down what it is asked.

``python -m tests.object_store LOG`` prints its address and serves until it is ended. Every request
must be signed by the key that it gave out. With ``heedless`` it is a poorer store: it looks at no
condition of a write, and at no signature either.
"""

import json
import os
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import boto3

from tests import ROOT

BUCKET = "fleet-records"


@dataclass(frozen=True, slots=True)
class Server:
    """The running server: its address, keys that it accepts, and its log of requests."""

    endpoint: str
    key_id: str
    secret: str
    log: Path

    @property
    def environment(self) -> dict[str, str]:
        """What a user sets to reach it."""
        return {
            "AWS_ENDPOINT_URL": self.endpoint,
            "AWS_ALLOW_HTTP": "true",
            "AWS_REGION": "us-east-1",
            "AWS_ACCESS_KEY_ID": self.key_id,
            "AWS_SECRET_ACCESS_KEY": self.secret,
        }

    def requests(self) -> list[tuple[str, str]]:
        """(method, path) of every request so far."""
        lines = self.log.read_text().splitlines()
        return [(method, path) for method, path in map(json.loads, lines)]

    @contextmanager
    def counted(self) -> Iterator[Counter[tuple[str, str]]]:
        """How often each was asked for within the block, counted when it ends."""
        before, counts = len(self.requests()), Counter[tuple[str, str]]()
        yield counts
        counts.update(self.requests()[before:])

    def client(self, service: str = "s3") -> Any:
        """A plain client, as somebody else would use."""
        return boto3.client(
            service,
            endpoint_url=self.endpoint,
            region_name="us-east-1",
            aws_access_key_id=self.key_id,
            aws_secret_access_key=self.secret,
        )


@contextmanager
def served(log: Path, *options: str) -> Iterator[Server]:
    """A server with one empty bucket."""
    log.touch()
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("AWS_", "MOTO_"))}
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.object_store", str(log), *options],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, cwd=ROOT, env=kept,
    )  # fmt: skip
    try:
        assert process.stdout
        told = json.loads(process.stdout.readline())
        yield Server(told["endpoint"], told["key_id"], told["secret"], log)
    finally:
        process.terminate()
        process.communicate(timeout=30)


# What follows runs in the server's process.


def _logged(app: Callable[..., Iterable[bytes]], log: Path) -> Callable[..., Iterable[bytes]]:
    file = log.open("a", buffering=1)

    def logged(environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
        file.write(json.dumps([environ["REQUEST_METHOD"], environ["PATH_INFO"]]) + "\n")
        return app(environ, start_response)

    return logged


def _heedless(app: Callable[..., Iterable[bytes]]) -> Callable[..., Iterable[bytes]]:
    def heedless(environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
        for condition in ("HTTP_IF_MATCH", "HTTP_IF_NONE_MATCH"):
            environ.pop(condition, None)
        return app(environ, start_response)

    return heedless


def _keys() -> tuple[str, str]:
    """A bucket, and a key that may do everything but read what is called ``denied``."""
    from moto.iam.models import iam_backends
    from moto.s3.models import s3_backends

    account = "123456789012"
    iam = iam_backends[account]["global"]
    iam.create_user("us-east-1", "drumline")
    denied = f"arn:aws:s3:::{BUCKET}/*denied*"
    statements = [
        {"Effect": "Allow", "Action": "*", "Resource": "*"},
        {"Effect": "Deny", "Action": "s3:GetObject", "Resource": denied},
    ]
    policy = json.dumps({"Version": "2012-10-17", "Statement": statements})
    iam.put_user_policy("drumline", "some", policy)
    s3_backends[account]["aws"].create_bucket(BUCKET, "us-east-1")
    key = iam.create_access_key("drumline")
    return key.access_key_id, key.secret_access_key


def _serve(log: Path, *options: str) -> None:
    from moto import settings
    from moto.moto_server.werkzeug_app import DomainDispatcherApplication, create_backend_app
    from werkzeug.serving import make_server

    app: Any = DomainDispatcherApplication(create_backend_app)
    if "heedless" in options:
        app = _heedless(app)
    server = make_server("127.0.0.1", 0, _logged(app, log), threaded=True)
    key_id, secret = _keys()
    if "heedless" not in options:
        settings.INITIAL_NO_AUTH_ACTION_COUNT = 0
    endpoint = f"http://127.0.0.1:{server.server_port}"
    print(json.dumps({"endpoint": endpoint, "key_id": key_id, "secret": secret}), flush=True)
    server.serve_forever()


if __name__ == "__main__":
    _serve(Path(sys.argv[1]), *sys.argv[2:])
