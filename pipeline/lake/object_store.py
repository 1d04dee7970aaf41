"""S3-compatible object storage: list, read, write an object whole, write it only over a known one.

Credentials, region and endpoint come from the environment alone. An object is never seen half
written, and a write may ask that the object has not changed: that is all a run builds on. What may
pass, as a store that does not answer, is an ``OSError``; what the user can mend is a ``UserError``.
"""

import datetime as dt
import errno
import mimetypes
import os
import uuid
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from functools import cache
from pathlib import Path
from typing import IO, Any

from pipeline.errors import UserError
from pipeline.places import Address

KEYS = ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY")
ENDPOINTS = ("AWS_ENDPOINT_URL_S3", "AWS_ENDPOINT_URL")
REGIONS = ("AWS_REGION", "AWS_DEFAULT_REGION")
# A request is given up after so long, and tried so often: a store that is away is said within a
# minute and a half.
CONNECT_S, READ_S, ATTEMPTS = 5, 30, 3
# Larger objects are read and written in parts of this size, each tried again by itself.
PART_BYTES = 64 << 20
CHUNK_BYTES = 1 << 20
MOST_AT_ONCE = 1 << 20  # of an object that is read into memory
_WRITER = "drumline-write"  # metadata that tells whose write an object is
_CHANGED = {"PreconditionFailed", "ConditionalRequestConflict", "412", "409"}
_ABSENT = {"NoSuchKey", "404"}
# Refusals of one object while others are served: no permission, or away in an archive.
_OBJECT_REFUSED = {"AccessDenied", "InvalidObjectState"}


class ChangedError(Exception):
    """The object is not the one that the request was meant for."""


class RefusedError(UserError):
    """The store does not serve this object to this key; ``why`` in its words."""

    def __init__(self, address: Address, why: str) -> None:
        super().__init__(f"{address}: {why}; looked at: {', '.join(KEYS)}")
        self.why = why


@dataclass(frozen=True, slots=True)
class Found:
    """An object as the store lists it; the same values again mean the same bytes."""

    address: Address
    etag: str
    size: int
    modified_at: str


@dataclass(frozen=True, slots=True)
class Content:
    """An object's bytes, which version of it they are, and how old it was when it was read."""

    data: bytes
    etag: str
    age_s: float


@dataclass(frozen=True, slots=True)
class Only:
    """Write only over the object of this ETag; None: only where there is no object."""

    etag: str | None

    @property
    def asked(self) -> dict[str, str]:
        return {"IfNoneMatch": "*"} if self.etag is None else {"IfMatch": self.etag}


@dataclass(frozen=True, slots=True)
class Store:
    """The store that the environment names."""

    client: Any
    endpoint: str

    def listed(self, below: Address) -> list[Found]:
        """Every object whose key continues this address with a slash, by key."""
        return [
            Found(Address(below.bucket, o["Key"]), o["ETag"], o["Size"], _moment(o["LastModified"]))
            for page in self._pages(below)
            for o in page.get("Contents", ())
            if not o["Key"].endswith("/")  # made by tools that show folders
        ]

    def _pages(self, below: Address) -> Iterator[Any]:
        with self._telling(below):
            pages = self.client.get_paginator("list_objects_v2")
            yield from pages.paginate(Bucket=below.bucket, Prefix=below.below)

    def read(self, address: Address, most: int = MOST_AT_ONCE) -> Content | None:
        """An object of up to so many bytes; None where there is none."""
        with self._telling(address):
            try:
                got = self.client.get_object(Bucket=address.bucket, Key=address.key)
            except self.client.exceptions.ClientError as error:
                if _code(error) in _ABSENT:
                    return None
                raise
            with closing(got["Body"]) as body:
                data = body.read(most + 1)
        if len(data) > most:
            size = got["ContentLength"]
            raise UserError(f"{address}: found {size:,} bytes; accepted: up to {most:,}")
        age = _answered_at(got) - got["LastModified"]
        return Content(data, got["ETag"], age.total_seconds())

    def version(self, address: Address) -> Found | None:
        """The object of this key as it stands now; None where there is none."""
        with self._telling(address):
            named = {"Bucket": address.bucket, "Prefix": address.key, "MaxKeys": 1}
            first = self.client.list_objects_v2(**named).get("Contents", ())
        for o in first:
            if o["Key"] == address.key:
                return Found(address, o["ETag"], o["Size"], _moment(o["LastModified"]))
        return None

    def download(self, found: Found, target: Path) -> None:
        """Write the object that was found into a file, part by part.

        Raises
        ------
        ChangedError
            It is gone, or another.
        """
        with self._telling(found.address), target.open("wb") as file:
            for start in range(0, found.size, PART_BYTES):
                end = min(start + PART_BYTES, found.size) - 1
                _tried(lambda s=start, e=end: self._part(found, s, e, file))  # type: ignore[misc]

    def _part(self, found: Found, start: int, end: int, file: IO[bytes]) -> None:
        got = self.client.get_object(
            Bucket=found.address.bucket,
            Key=found.address.key,
            IfMatch=found.etag,
            Range=f"bytes={start}-{end}",
        )
        file.seek(start)
        with closing(got["Body"]) as body:
            for chunk in body.iter_chunks(CHUNK_BYTES):
                file.write(chunk)

    def put(self, address: Address, data: bytes, only: Only | None = None) -> str:
        """Write an object whole; returns its ETag.

        Raises
        ------
        ChangedError
            There is another than ``only`` allows.
        """
        return self._put(address, data, only)

    def put_file(self, address: Address, path: Path, only: Only | None = None) -> str:
        """The same of a file; a large one goes in parts, and is there once the last one is."""
        with path.open("rb") as file:
            if path.stat().st_size <= PART_BYTES:
                return self._put(address, file, only)
            return self._put_parts(address, file, only)

    def _put(self, address: Address, body: bytes | IO[bytes], only: Only | None) -> str:
        mark = uuid.uuid4().hex
        with self._telling(address), self._recognising(address, mark) as written:
            got = self.client.put_object(
                Body=body, **_named(address, mark), **(only.asked if only else {})
            )
            written.append(got["ETag"])
        return written[0]

    def _put_parts(self, address: Address, file: IO[bytes], only: Only | None) -> str:
        mark = uuid.uuid4().hex
        with self._telling(address):
            upload = self.client.create_multipart_upload(**_named(address, mark))
            at = {"Bucket": address.bucket, "Key": address.key, "UploadId": upload["UploadId"]}
            try:
                parts = self._parts(at, file)
                if only is not None:  # for stores that look at no condition when parts are joined
                    self._require(address, only)
                with self._recognising(address, mark) as written:
                    got = self.client.complete_multipart_upload(
                        **at, MultipartUpload={"Parts": parts}, **(only.asked if only else {})
                    )
                    written.append(got["ETag"])
            except BaseException:
                with suppress(Exception):
                    self.client.abort_multipart_upload(**at)
                raise
        return written[0]

    def _parts(self, at: dict[str, str], file: IO[bytes]) -> list[dict[str, object]]:
        parts: list[dict[str, object]] = []
        while data := file.read(PART_BYTES):
            number = len(parts) + 1
            sent = self.client.upload_part(**at, PartNumber=number, Body=data)
            parts.append({"PartNumber": number, "ETag": sent["ETag"]})
        return parts

    def _require(self, address: Address, only: Only) -> None:
        found = self.version(address)
        if (found.etag if found else None) != only.etag:
            raise ChangedError(str(address))

    @contextmanager
    def _recognising(self, address: Address, mark: str) -> Iterator[list[str]]:
        """Where a write is refused because its first try, whose answer was lost, had arrived."""
        written: list[str] = []
        try:
            yield written
        except self.client.exceptions.ClientError as error:
            if _code(error) not in _CHANGED:
                raise
            found = self.client.head_object(Bucket=address.bucket, Key=address.key)
            if found["Metadata"].get(_WRITER) != mark:
                raise
            written.append(found["ETag"])

    def remove(self, address: Address) -> None:
        """Remove an object, if there is one."""
        with self._telling(address):
            self.client.delete_object(Bucket=address.bucket, Key=address.key)

    @contextmanager
    def _telling(self, address: Address) -> Iterator[None]:
        """What the client raises, as one clear line."""
        from botocore.exceptions import BotoCoreError, ClientError, ParamValidationError

        try:
            yield
        except ClientError as error:
            raise _as_told(error, address) from None
        except ParamValidationError as error:
            raise UserError(f"{address}: {error}".replace("\n", " ")) from None
        except BotoCoreError as error:
            line = (
                f"{self.endpoint} does not answer ({type(error).__name__}): run again when it does"
            )
            raise OSError(errno.EHOSTUNREACH, line, str(address)) from None


def store() -> Store:
    """The store that the environment names.

    Raises
    ------
    UserError
        The library for it is not installed, or the environment names no credentials.
    """
    try:
        import boto3  # noqa: F401
    except ImportError:
        raise UserError(
            "an address such as s3://BUCKET/PREFIX needs the extra s3: pip install 'drumline[s3]'"
        ) from None
    for name in KEYS:
        if not os.environ.get(name):
            raise UserError(f"{name}: found nothing; accepted: the credentials of the object store")
    given = (*(os.environ[name] for name in KEYS), os.environ.get("AWS_SESSION_TOKEN"))
    return _store(_first(REGIONS) or "us-east-1", _endpoint(), *given)


def _first(names: tuple[str, ...]) -> str | None:
    return next((os.environ[n] for n in names if os.environ.get(n)), None)


def _endpoint() -> str | None:
    endpoint = _first(ENDPOINTS)
    allowed = os.environ.get("AWS_ALLOW_HTTP", "").lower() in {"true", "1", "yes"}
    if endpoint and not endpoint.startswith("https://") and not allowed:
        raise UserError(
            f"AWS_ENDPOINT_URL: found {endpoint}; accepted: https://…, or http://… where "
            "AWS_ALLOW_HTTP=true is set"
        )
    return endpoint


@cache
def _store(
    region: str, endpoint: str | None, key_id: str, secret: str, session: str | None
) -> Store:
    import boto3
    from botocore.config import Config
    from botocore.exceptions import BotoCoreError

    config = Config(
        connect_timeout=CONNECT_S,
        read_timeout=READ_S,
        retries={"total_max_attempts": ATTEMPTS, "mode": "standard"},
        # Checksums of a newer kind only where they must be: many stores know none.
        request_checksum_calculation="when_required",
        response_checksum_validation="when_required",
        s3={
            "addressing_style": "path" if endpoint else "auto",
            "payload_signing_enabled": True,  # the store refuses bytes that are not those we sent
        },
    )
    try:
        client = boto3.client(
            "s3",
            endpoint_url=endpoint,
            region_name=region,
            aws_access_key_id=key_id,
            aws_secret_access_key=secret,
            aws_session_token=session,
            config=config,
        )
    except (ValueError, BotoCoreError) as error:
        raise UserError(f"AWS_ENDPOINT_URL, AWS_REGION: {error}") from None
    return Store(client, client.meta.endpoint_url)


def _named(address: Address, mark: str) -> dict[str, object]:
    kind, _ = mimetypes.guess_type(address.key)
    text = kind in {"text/html", "text/csv"}
    return {
        "Bucket": address.bucket,
        "Key": address.key,
        "ContentType": f"{kind}; charset=utf-8" if text else kind or "application/octet-stream",
        "Metadata": {_WRITER: mark},
    }


def _tried(work: Callable[[], None]) -> None:
    """Work whose answer may break off half way, which the client itself does not try again."""
    from botocore.exceptions import IncompleteReadError, ReadTimeoutError, ResponseStreamingError

    for attempt in range(ATTEMPTS):
        try:
            work()
            return
        except (IncompleteReadError, ReadTimeoutError, ResponseStreamingError):
            if attempt == ATTEMPTS - 1:
                raise


def _code(error: Any) -> str:
    """The store's word for it; the bare status where an answer has no body."""
    return str(error.response.get("Error", {}).get("Code", ""))


def _as_told(error: Any, address: Address) -> Exception:
    code, status = _code(error), error.response["ResponseMetadata"].get("HTTPStatusCode", 0)
    message = error.response.get("Error", {}).get("Message", "")
    if code in _CHANGED or code in _ABSENT:
        return ChangedError(str(address))
    if code == "NoSuchBucket":
        return UserError(f"s3://{address.bucket}: found no such bucket; accepted: one that exists")
    if code in _OBJECT_REFUSED:
        return RefusedError(address, f"refused ({code}: {message})")
    if status in (401, 403):
        return UserError(f"{address}: refused ({code}: {message}); looked at: {', '.join(KEYS)}")
    if status >= 500 or code in {"SlowDown", "RequestTimeout"}:
        line = f"the store failed ({code}: {message}): run again later"
        return OSError(errno.EHOSTDOWN, line, str(address))
    return UserError(f"{address}: the store refuses it ({code}: {message})")


def _moment(when: Any) -> str:
    return str(when.astimezone(dt.UTC).isoformat())


def _answered_at(got: Any) -> Any:
    """When the store answered, by its own clock."""
    told = got["ResponseMetadata"]["HTTPHeaders"].get("date")
    return parsedate_to_datetime(told) if told else dt.datetime.now(dt.UTC)
