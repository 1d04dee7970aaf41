"""The lake's files, in a folder or under an address: what is there, what each holds, its bytes.

A file is known by the SHA-256 of its content. Files of a folder are read for it in every run: a
time and a size can be set by hand, and a file can be changed in place. An object of a store cannot:
it is replaced whole, which gives it another time of change, and another ETag unless it holds the
same bytes. So what the store says of an object is remembered beside the digest
(``raw.objects``), and an object of which it says the same again is not downloaded again.
"""

import datetime as dt
import errno
import hashlib
import os
import stat
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from io import BufferedReader
from pathlib import Path, PurePosixPath
from typing import Protocol

from pipeline.contract import TABLES
from pipeline.errors import UnreadableFileError, UserError
from pipeline.lake.files import MAX_BYTES, SUFFIXES
from pipeline.lake.object_store import ChangedError, Found, RefusedError, Store, store
from pipeline.places import Address, Place, absolute
from pipeline.settings import Settings, load_settings, settings_from

SETTINGS_FILE = "fleet.toml"
# Endings of what holds no records. Any other that is not read is named, so that no table is passed
# over without a word, in whatever it is packed.
NO_RECORDS = {
    *(
        ".toml",
        ".md",
        ".rst",
        ".ini",
        ".cfg",
        ".yaml",
        ".yml",
        ".py",
        ".sql",
        ".sh",
        ".bat",
        ".cmd",
    ),
    *(".jpg", ".jpeg", ".png", ".gif", ".heic", ".webp", ".bmp", ".svg", ".ico", ".mp4", ".mov"),
    *(".lnk", ".url", ".log", ".lock", ".new", ".crc", ".sha256", ".md5"),
}
LEFT_ALONE = "left alone:"  # how a status begins that takes nothing from the figures
NO_RECORDS_NAMED = {"license", "readme", "makefile", "thumbs.db", "_success", "icon\r"}
DOCUMENTS = {
    *(".pdf", ".doc", ".docx", ".odt", ".rtf", ".ppt", ".pptx", ".htm", ".html", ".msg", ".eml"),
}
PACKED = {".zip", ".gz", ".tgz", ".tar", ".7z", ".rar", ".bz2", ".xz", ".zst"}
# By these a folder is known to hold what runs put out, were it in the lake itself.
OUT_HAS = ("drumline.duckdb", ".work", "published")
AT_ONCE = 8  # downloads side by side: most of a small object's time is waiting for it

# Refusals that may be over when the run is made again. A file that is refused for good, as without
# permission, is named in the load log and stops nothing.
PASSING = {
    *(errno.ENOENT, errno.ESTALE, errno.ENOTCONN, errno.ENODEV, errno.ETIMEDOUT),
    *(errno.EHOSTDOWN, errno.EHOSTUNREACH, errno.ENETDOWN, errno.ENETUNREACH),
}


@dataclass(frozen=True, slots=True)
class LakeFile:
    """One file of the lake as it stands now; ``sha256`` is None when it cannot be read.

    ``table`` is the table whose folder it stands in, empty where it stands in none; ``dated_at``
    is when it was last changed, as its place says.
    """

    table: str
    path: str
    sha256: str | None
    problem: str | None
    dated_at: str = ""


@dataclass(frozen=True, slots=True)
class Seen:
    """What a store said of an object, and the digest of what it held."""

    address: str
    etag: str
    size: int
    modified_at: str
    sha256: str


class Lake(Protocol):
    """Where the records are."""

    def settings(self) -> Settings:
        """What ``fleet.toml`` says; every default where there is none."""

    def size(self) -> int:
        """Bytes of the lake's files, as far as they can be seen."""

    def files(self, *, elsewhere: bool = True) -> list[LakeFile]:
        """Every file under the lake's table folders, and every table of data elsewhere in it.

        Without ``elsewhere`` the latter are only named, not opened.

        Raises
        ------
        UserError
            There is no such place, or no file in it.
        """

    def read(self, file: LakeFile) -> bytes:
        """The bytes that were listed.

        Raises
        ------
        OSError
            They cannot be read, or have changed since.
        """

    def seen(self) -> Sequence[Seen]:
        """What to remember of the files, so that they need not be read again."""


@contextmanager
def opened_lake(where: Place, seen: Sequence[Seen] = ()) -> Iterator[Lake]:
    """The lake at a place; ``seen`` is what was remembered of it."""
    if isinstance(where, Path):
        yield FolderLake(where)
        return
    with tempfile.TemporaryDirectory(prefix="drumline-") as spool:
        yield StoreLake(where, store(), Path(spool), {s.address: s for s in seen})


def usable_settings(where: Place) -> Settings:
    """A lake's settings; raises what an unusable lake raises, before anything is written."""
    with opened_lake(where) as lake:
        settings = lake.settings()
        lake.size()
        return settings


def require_apart(lake: Place, out: Place) -> None:
    """Raise UserError where a run would read what it has put out."""
    there, tables = absolute(out), [f"{absolute(lake / table)}/" for table in TABLES]
    if there == absolute(lake) or f"{there}/".startswith(tuple(tables)):
        raise UserError(
            f"{out}: found within the records, so that a run would read what it put out; accepted: "
            "a folder of its own"
        )


def lake_size(where: Place) -> int:
    """Bytes of the lake's files, as far as they can be seen."""
    with opened_lake(where) as lake:
        return lake.size()


def _is_named_data(parts: Sequence[str]) -> bool:
    """Not a hidden file or an office program's lock file."""
    return not any(part.startswith((".", "~$")) for part in parts)


def _may_hold_records(name: str) -> bool:
    """Outside the tables' folders a lake may hold anything: what can hold records is looked at, or
    is said not to be read."""
    suffix = PurePosixPath(name).suffix.lower()
    return suffix not in NO_RECORDS and name.lower() not in NO_RECORDS_NAMED


def _other_form(path: str) -> str | None:
    """Why records of another form are not read; None where they are of one that is."""
    suffix = PurePosixPath(path).suffix.lower()
    if suffix in SUFFIXES:
        return None
    accepted = f"accepted{', unpacked' * (suffix in PACKED)}: {', '.join(SUFFIXES)}"
    if suffix in DOCUMENTS:
        return f"{LEFT_ALONE} found {suffix}, a document; {accepted}"
    return f"not read: found {suffix or 'no ending'}; {accepted}"


def _left_alone(path: str) -> LakeFile:
    why = f"{LEFT_ALONE} in no table's folder; drumline map looks at it"
    return LakeFile("", path, None, _other_form(path) or why)


def _require_some(files: Sequence[object], where: Place) -> None:
    if not files:
        accepted = f"files under {', '.join(TABLES)}, or elsewhere any of {', '.join(SUFFIXES)}"
        raise UserError(f"{where}: found no files; accepted: {accepted}")


def _require_bytes(size: int) -> None:
    if size > MAX_BYTES:
        raise UnreadableFileError(f"{size:,} bytes; accepted: up to {MAX_BYTES:,} a file")


def _require_same(content: bytes, file: LakeFile) -> bytes:
    if hashlib.sha256(content).hexdigest() != file.sha256:
        raise _changed(file.path)
    return content


def _changed(path: str) -> OSError:
    changed = "it changed while it was being read: run again when nobody writes to it"
    return OSError(errno.EAGAIN, changed, path)


@dataclass(frozen=True, slots=True)
class FolderLake:
    """A lake that is a folder."""

    folder: Path

    def settings(self) -> Settings:
        return load_settings(self.folder / SETTINGS_FILE)

    def size(self) -> int:
        size = 0
        for _, path in self._paths():
            with suppress(OSError):
                size += path.stat().st_size
        return size

    def files(self, *, elsewhere: bool = True) -> list[LakeFile]:
        return [
            self._file(table, path)
            if table or elsewhere
            else _left_alone(path.relative_to(self.folder).as_posix())
            for table, path in self._paths()
        ]

    def read(self, file: LakeFile) -> bytes:
        try:
            with self._opened(self.folder / file.path) as opened:
                content = opened.read()
        except OSError as error:
            raise _refused(error, file.path) from None
        return _require_same(content, file)

    def seen(self) -> Sequence[Seen]:
        return ()

    def _paths(self) -> list[tuple[str, Path]]:
        """Table and path of every file under the lake's table folders, by path."""
        if not self.folder.is_dir():
            found = "a file" if self.folder.exists() else "nothing"
            raise UserError(
                f"{self.folder}: found {found}; accepted: a folder with {', '.join(TABLES)}"
            )
        paths = [
            (table, path)
            for table in TABLES
            for path in sorted((self.folder / table).rglob("*"))
            if _is_named_data(path.relative_to(self.folder).parts)
            if not path.is_dir() or path.is_symlink()
        ]
        paths += [("", path) for path in self._elsewhere(self.folder)]
        _require_some(paths, self.folder)
        return paths

    def _elsewhere(self, folder: Path) -> Iterator[Path]:
        """Tables of data outside the tables' folders, but what a run has put out."""
        for path in sorted(folder.iterdir()):
            of_a_table = path.parent == self.folder and path.name in TABLES
            if of_a_table or not _is_named_data([path.name]):
                continue
            if path.is_dir() and not path.is_symlink():
                if not any((path / made).exists() for made in OUT_HAS):
                    yield from self._elsewhere(path)
            elif _may_hold_records(path.name):
                yield path

    def _file(self, table: str, path: Path) -> LakeFile:
        name = path.relative_to(self.folder).as_posix()
        if not table and (why := _other_form(name)):
            return LakeFile(table, name, None, why)
        try:
            with self._opened(path) as content:
                digest = hashlib.file_digest(content, "sha256").hexdigest()
                changed = dt.datetime.fromtimestamp(os.fstat(content.fileno()).st_mtime, dt.UTC)
                return LakeFile(table, name, digest, None, changed.isoformat())
        except UnreadableFileError as error:
            return LakeFile(table, name, None, f"not read: {error}")
        except OSError as error:
            return LakeFile(table, name, None, f"not read: {_refused(error, name).strerror}")

    def _opened(self, path: Path) -> BufferedReader:
        """A file of the lake, open for reading.

        Where a link leads is looked up from what was opened, so that nobody can exchange it in
        between.

        Raises
        ------
        UnreadableFileError
            What stands there is no file, is too large, or does not stand in the lake.
        """
        if path.is_symlink() and not path.exists():
            raise UnreadableFileError("a link that leads nowhere")
        # A pipe would wait for a writer.
        content = os.fdopen(os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC), "rb")
        try:
            self._require_plain(content, path)
        except UnreadableFileError:
            content.close()
            raise
        return content

    def _require_plain(self, content: BufferedReader, path: Path) -> None:
        real = Path(f"/proc/self/fd/{content.fileno()}")
        inside = (real if real.exists() else path).resolve()
        found = os.fstat(content.fileno())
        if not inside.is_relative_to(self.folder.resolve()):
            raise UnreadableFileError("a link that leads out of the lake")
        if not stat.S_ISREG(found.st_mode):
            raise UnreadableFileError("a link to a folder" if path.is_dir() else "no file")
        _require_bytes(found.st_size)


def _refused(error: OSError, name: str) -> OSError:
    """Why a file cannot be read for good, in words; raises what may pass."""
    if error.errno in PASSING:
        again = f"{error.strerror}; it was there when the run began: run again"
        raise OSError(error.errno, again, name) from None
    return OSError(error.errno, error.strerror or type(error).__name__, name)


def may_pass(error: OSError) -> bool:
    """Whether a run made again may read what this one could not."""
    return error.errno in {*PASSING, errno.EAGAIN}


@dataclass(frozen=True, slots=True)
class StoreLake:
    """A lake under an address; what is new of it is kept in ``spool`` until it has been read."""

    address: Address
    store: Store
    spool: Path
    known: Mapping[str, Seen]
    found: dict[str, Seen] = field(default_factory=dict)

    def settings(self) -> Settings:
        content = self.store.read(self.address / SETTINGS_FILE)
        return settings_from(content.data, SETTINGS_FILE) if content else Settings()

    def size(self) -> int:
        return sum(found.size for _, found in self._objects())

    def files(self, *, elsewhere: bool = True) -> list[LakeFile]:
        objects = self._objects()
        read = [(table, found) for table, found in objects if table or elsewhere]
        named = [_left_alone(self._path(found)) for table, found in objects if not table]
        with ThreadPoolExecutor(AT_ONCE) as pool:
            return [*pool.map(lambda o: self._file(*o), read), *([] if elsewhere else named)]

    def read(self, file: LakeFile) -> bytes:
        assert file.sha256 is not None
        kept = self.spool / file.sha256
        if not kept.exists():  # seen before, but to be read in another way
            self._download(self.store.version(self.address / file.path), file.path)
        if not kept.exists():
            raise _changed(file.path)
        return _require_same(kept.read_bytes(), file)

    def seen(self) -> Sequence[Seen]:
        return list(self.found.values())

    def _objects(self) -> list[tuple[str, Found]]:
        """Table and object of every file, in a folder's order."""
        objects = [
            (table, found)
            for table in TABLES
            for found in sorted(
                self.store.listed(self.address / table),
                key=lambda found: PurePosixPath(found.address.key),
            )
            if _is_named_data(self._path(found).split("/"))
        ]
        objects += [("", found) for found in self._elsewhere()]
        _require_some(objects, self.address)
        return objects

    def _elsewhere(self) -> list[Found]:
        """Tables of data outside the tables' folders, but what a run has put out."""
        found = sorted(self.store.listed(self.address), key=lambda f: PurePosixPath(f.address.key))
        paths = {f: PurePosixPath(self._path(f)) for f in found}
        out = {
            PurePosixPath(*path.parts[:i])
            for path in paths.values()
            for i, part in enumerate(path.parts)
            if part in OUT_HAS
        }
        return [
            f
            for f, path in paths.items()
            if path.parts[0] not in TABLES
            and _is_named_data(path.parts)
            and _may_hold_records(path.name)
            and not out & set(path.parents)
        ]

    def _path(self, found: Found) -> str:
        return found.address.key.removeprefix(self.address.below)

    def _file(self, table: str, found: Found) -> LakeFile:
        path = self._path(found)
        if not table and (why := _other_form(path)):
            return LakeFile(table, path, None, why)
        try:
            _require_bytes(found.size)
        except UnreadableFileError as error:
            return LakeFile(table, path, None, f"not read: {error}")
        known = self.known.get(str(found.address))
        said = (found.etag, found.size, found.modified_at)
        if known is None or (known.etag, known.size, known.modified_at) != said:
            try:
                known = Seen(str(found.address), *said, self._download(found, path))
            except RefusedError as error:
                return LakeFile(table, path, None, f"not read: {error.why}")
        self.found[known.address] = known
        return LakeFile(table, path, known.sha256, None, found.modified_at)

    def _download(self, found: Found | None, path: str) -> str:
        """Bring an object into the spool, named by its digest, which is returned."""
        if found is None:
            raise _changed(path)
        handle, name = tempfile.mkstemp(dir=self.spool)
        os.close(handle)
        try:
            self.store.download(found, Path(name))
        except ChangedError:
            raise _changed(path) from None
        with Path(name).open("rb") as content:
            digest = hashlib.file_digest(content, "sha256").hexdigest()
        Path(name).replace(self.spool / digest)
        return digest
