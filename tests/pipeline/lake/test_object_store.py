"""Lake, warehouse and pages under addresses: as from folders, one run at a time, whole or not."""

import datetime as dt
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipeline.cli import main
from pipeline.errors import UserError
from pipeline.lake import object_store
from pipeline.lake.loading import load
from pipeline.lake.object_store import ChangedError, Only
from pipeline.out import store_lock
from pipeline.out.outputs import opened_out, put_published
from pipeline.places import Address, place
from pipeline.settings import Settings
from pipeline.warehouse import warehouse
from pipeline.warehouse.judging import judge
from tests.crashes import mart_digests, page_digests
from tests.drawing import rows
from tests.lakes import write_small_lake
from tests.object_store import BUCKET, served

AS_OF = "2025-11-14"
NOW = dt.datetime(2026, 1, 31, 12)
LAKE, OUT = f"s3://{BUCKET}/fleet", f"s3://{BUCKET}/out"
RUN = ["run", LAKE, "--out", OUT, "--as-of", AS_OF]


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    """A store that the environment names, for this module."""
    with (
        served(tmp_path_factory.mktemp("store") / "requests") as running,
        pytest.MonkeyPatch.context() as patch,
    ):
        for name in [name for name in os.environ if name.startswith("AWS_")]:
            patch.delenv(name)
        for name, value in running.environment.items():
            patch.setenv(name, value)
        yield running


@pytest.fixture(scope="module")
def client(server):
    with_keys = server.client()
    yield with_keys
    with_keys.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A small lake in a folder."""
    base = tmp_path_factory.mktemp("folder")
    write_small_lake(base / "lake")
    return base


@pytest.fixture(scope="module")
def folder_out(folder):
    """What a run makes of it there."""
    lake, out = folder / "lake", folder / "out"
    assert main(["run", str(lake), "--out", str(out), "--as-of", AS_OF]) == 0
    return out


@pytest.fixture(scope="module")
def stored(server, client, folder):
    """The same lake under an address, and the first run there."""
    upload(client, folder / "lake", "fleet")
    assert main(RUN) == 0
    return server


@pytest.fixture
def lake(client, tmp_path, request):
    """A small lake in a folder and the same under an address, for one test alone."""
    files = write_small_lake(tmp_path / "lake")
    prefix = f"lakes/{request.node.name}"
    upload(client, files, prefix)
    return files, Address(BUCKET, prefix)


@pytest.fixture
def out(request):
    return Address(BUCKET, f"outs/{request.node.name}")


@pytest.fixture
def con():
    with warehouse.in_memory() as connection:
        yield connection


def upload(client, files: Path, prefix: str) -> None:
    for path in sorted(p for p in files.rglob("*") if p.is_file()):
        put(client, f"{prefix}/{path.relative_to(files).as_posix()}", path.read_bytes())


def put(client, key: str, body: bytes) -> None:
    client.put_object(Bucket=BUCKET, Key=key, Body=body)


def keys(client, prefix: str) -> list[str]:
    listed = client.list_objects_v2(Bucket=BUCKET, Prefix=prefix).get("Contents", ())
    return [found["Key"] for found in listed]


def etags(client, prefix: str) -> dict[str, str]:
    return {k: client.head_object(Bucket=BUCKET, Key=k)["ETag"] for k in keys(client, prefix)}


def content(client, key: str) -> bytes:
    got = client.get_object(Bucket=BUCKET, Key=key)
    try:
        return bytes(got["Body"].read())
    finally:
        got["Body"].close()


def downloaded(client, prefix: str, target: Path) -> Path:
    for key in keys(client, prefix):
        path = target / key.removeprefix(prefix)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content(client, key))
    return target


def one_line(capsys) -> str:
    error = capsys.readouterr().err
    assert error.count("\n") == 1, error
    assert "Traceback" not in error
    return str(error)


def lake_reads(counts) -> dict[str, int]:
    """Downloads of the lake's files, by path in the bucket."""
    tables = tuple(f"/{table}/" for table in ("inspections", "register", "work"))
    return {
        path: n
        for (method, path), n in counts.items()
        if method == "GET" and any(table in path for table in tables)
    }


# The same from addresses as from folders


@pytest.mark.proof
def test_marts_and_pages_are_those_of_folders(stored, client, folder_out, tmp_path):
    found = downloaded(client, "out/", tmp_path / "out")
    assert mart_digests(found) != {}
    ignored = {"loads"}  # says when each file was loaded
    marts, expected = mart_digests(found), mart_digests(folder_out)
    assert {k: v for k, v in marts.items() if k not in ignored} == {
        k: v for k, v in expected.items() if k not in ignored
    }
    assert page_digests(found) == page_digests(folder_out) != {}


@pytest.mark.parametrize("mixed", ["lake", "out"])
def test_either_may_be_a_folder(server, lake, tmp_path, out, mixed):
    files, address = lake
    where = address if mixed == "lake" else files
    goes = tmp_path / "out" if mixed == "lake" else out
    with opened_out(goes) as held:
        assert load(held.con, where, Settings(), NOW) == 6
    with opened_out(goes) as held:
        assert rows(held.con, "select count(*) from raw.inspections") == [(144,)]


@pytest.mark.proof
def test_a_second_run_downloads_nothing_of_the_lake_and_changes_nothing(
    stored, client, tmp_path, monkeypatch
):
    before = downloaded(client, "out/", tmp_path / "before")
    monkeypatch.setattr(object_store, "PART_BYTES", 5 << 20)  # the warehouse goes in parts
    with stored.counted() as counts:
        assert main(RUN) == 0
    assert lake_reads(counts) == {}
    assert counts["PUT", f"/{BUCKET}/out/{warehouse.DATABASE}"] > 1
    assert counts["GET", f"/{BUCKET}/out/{warehouse.DATABASE}"] > 1
    after = downloaded(client, "out/", tmp_path / "after")
    assert mart_digests(after) == mart_digests(before)
    assert page_digests(after) == page_digests(before)
    assert content(client, "out/.lock") == b""
    for path in (p for p in after.rglob("*") if p.is_file()):
        assert stored.secret.encode() not in path.read_bytes(), path
        assert stored.key_id.encode() not in path.read_bytes(), path


def test_sheets_of_the_last_run(stored, client, capsys):
    command = ["sheet", LAKE, "--out", OUT, "--unit", "K01"]
    assert main(command) == 0
    assert f"To print: {OUT}/sheets/{AS_OF}/sheets.html" in capsys.readouterr().out
    names = ("inspections.csv", "inspections.xlsx", "sheets.html")
    first = [f"out/sheets/{AS_OF}/{name}" for name in names]
    assert keys(client, "out/sheets/") == first
    put(client, first[0], b"filled in")  # somebody's: never written over
    assert main(command) == 0
    assert content(client, first[0]) == b"filled in"
    second = [f"out/sheets/{AS_OF}-2/{name}" for name in names]
    assert keys(client, "out/sheets/") == sorted(first + second)
    assert main(command) == 0
    assert keys(client, "out/sheets/") == sorted(first + second)


# The lake


def loaded(con, where, settings=None, now=NOW):
    read = load(con, where, settings or Settings(), now)
    judge(con, Settings(), now.date(), None)
    told = "select path, sha256, rows_read, accepted, repeated, set_aside, status from mart.loads"
    return read, sorted(rows(con, told))


def test_files_have_the_fates_that_they_have_in_a_folder(con, client, lake):
    files, address = lake
    odd = {
        "inspections/.hidden.csv": b"unit_id\n",
        "inspections/north/~$K01.xlsx": b"\x00",
        "inspections/north/copy of K01.csv": (files / "inspections/K01.csv").read_bytes(),
        "inspections/empty.csv": b"",
        "work/rubbish.parquet": bytes(range(256)) * 16,
        "work/note.pdf": b"%PDF",
        "elsewhere/K09.csv": b"unit_id\nK09\n",
    }
    for name, body in odd.items():
        (files / name).parent.mkdir(parents=True, exist_ok=True)
        (files / name).write_bytes(body)
        put(client, f"{address.key}/{name}", body)
    put(client, f"{address.key}/inspections/", b"")  # made by tools that show folders
    put(client, f"{address.key}/inspections/../../../out.csv", b"unit_id\n")  # no name of a file
    with warehouse.in_memory() as other:
        assert loaded(con, address) == loaded(other, files)
    assert rows(con, "select count(*) from mart.loads") == [(11,)]  # one in no table's folder


def test_only_what_the_store_says_is_new_is_downloaded(server, con, client, lake):
    files, address = lake
    loaded(con, address)
    text = (files / "inspections/K01.csv").read_text()
    shorter = "\n".join(text.splitlines()[:-4]) + "\n"
    put(client, f"{address.key}/inspections/K01.csv", shorter.encode())
    client.delete_object(Bucket=BUCKET, Key=f"{address.key}/inspections/K02.csv")
    put(client, f"{address.key}/inspections/again.csv", (files / "work/greasing.csv").read_bytes())
    with server.counted() as counts:
        read, told = loaded(con, address)
    changed = [f"/{address}/inspections/{name}" for name in ("K01.csv", "again.csv")]
    assert lake_reads(counts) == {p.replace("s3://", ""): 1 for p in changed}
    assert read == 2
    (files / "inspections/K01.csv").write_text(shorter)
    (files / "inspections/K02.csv").unlink()
    (files / "inspections/again.csv").write_bytes((files / "work/greasing.csv").read_bytes())
    with warehouse.in_memory() as other:
        assert told == loaded(other, files)[1]


def test_settings_that_shape_reading_make_every_object_read_again(server, con, lake):
    _, address = lake
    loaded(con, address)
    with server.counted() as counts:
        read, _ = loaded(con, address, Settings.model_validate({"fleet": {"day_first": True}}))
    assert read == 6
    assert len(lake_reads(counts)) == 6


def test_an_object_too_large_is_named_and_not_downloaded(server, con, lake, monkeypatch):
    _, address = lake
    monkeypatch.setattr("pipeline.lake.lake.MAX_BYTES", 900)
    with server.counted() as counts, pytest.raises(UserError, match="no usable row"):
        loaded(con, address)
    assert [path for path in lake_reads(counts) if "/inspections/" in path] == []
    assert lake_reads(counts) != {}
    told = rows(con, "select problem from raw.files where path = 'inspections/K01.csv'")
    assert told[0][0].endswith(" bytes; accepted: up to 900 a file")


def test_an_object_without_permission_is_named(con, client, lake):
    _, address = lake
    put(client, f"{address.key}/inspections/denied.csv", b"unit_id\n")
    _, told = loaded(con, address)
    (refused,) = [row for row in told if row[0] == "inspections/denied.csv"]
    assert refused[1:6] == (None, 0, 0, 0, 0)
    assert refused[6].startswith("not read: refused (AccessDenied: ")
    assert len(told) == 7


def test_an_object_that_changes_while_it_is_read_ends_the_load(con, client, lake, monkeypatch):
    _, address = lake
    real = object_store.Store.listed

    def changing(self, below):
        found = real(self, below)
        if below.key.endswith("work"):
            put(client, "/".join((address.key, "work", "greasing.csv")), b"unit_id\n")
        return found

    monkeypatch.setattr(object_store.Store, "listed", changing)
    with pytest.raises(OSError, match="it changed while it was being read: run again"):
        load(con, address, Settings(), NOW)
    assert rows(con, "select count(*) from raw.contents") == [(0,)]


# One run at a time


def test_an_out_that_is_held_is_refused(stored, client, capsys):
    with opened_out(place(OUT)):
        with stored.counted() as counts:
            assert main(RUN) == 2
        line = one_line(capsys)
    assert f"{OUT}: another run is at work there: process {os.getpid()} on " in line
    assert "the lock lapses in " in line
    assert [path for method, path in counts if method != "GET"] == []
    assert content(client, "out/.lock") == b""


def test_the_lock_is_renewed_while_the_run_works(server, client, out, monkeypatch):
    monkeypatch.setattr(store_lock, "RENEW_S", 0.1)
    with store_lock.held(object_store.store(), out, print) as lock:
        time.sleep(1.0)
        text = content(client, f"{out.key}/.lock").decode()
        lock.require()
    times = int(text.split("written ")[1].split()[0])
    assert times > 3
    assert content(client, f"{out.key}/.lock") == b""


def test_of_two_that_take_a_lapsed_lock_one_is_refused(server, client, out, monkeypatch):
    put(client, f"{out.key}/.lock", b"process 1 on elsewhere, since long ago\n")
    monkeypatch.setattr(store_lock, "LAPSE_S", 0.0)
    store, said = object_store.store(), []
    seen = store.read(out / ".lock")
    with store_lock.held(store, out, said.append):
        assert "stopped before its end (process 1 on elsewhere, since long ago)" in said[0]
        monkeypatch.setattr(object_store.Store, "read", lambda *_: seen)  # it looked as early
        with pytest.raises(UserError, match="another run has just begun there"):
            store_lock.Held(store, out, "process 2").take(print)


def test_a_run_whose_lock_was_taken_writes_nothing(server, client, out):
    def overtaken():
        with opened_out(out) as held:
            held.con.execute("create table mine (x int)")
            put(client, f"{out.key}/.lock", b"process 2 on elsewhere\n")

    with pytest.raises(UserError, match="another run took over"):
        overtaken()
    assert keys(client, out.key) == [f"{out.key}/.lock"]
    assert content(client, f"{out.key}/.lock") == b"process 2 on elsewhere\n"


@pytest.mark.parametrize("part_bytes", [64 << 20, 5 << 20])
@pytest.mark.parametrize("there", [b"", b"the one that was copied"])
def test_a_warehouse_replaced_meanwhile_is_left(client, out, monkeypatch, part_bytes, there):
    monkeypatch.setattr(object_store, "PART_BYTES", part_bytes)
    key = f"{out.key}/{warehouse.DATABASE}"
    if there:
        with opened_out(out):
            pass

    def late():
        with opened_out(out) as held:
            held.con.execute("create table big as select uuid() as u from range(500_000)")
            put(client, key, b"somebody else's")

    with pytest.raises(UserError, match="another program replaced it since this run began"):
        late()
    assert content(client, key) == b"somebody else's"
    assert client.list_multipart_uploads(Bucket=BUCKET).get("Uploads", []) == []


def test_a_write_whose_answer_was_lost_is_known_again(server, client, out, monkeypatch):
    """The client asks again by itself; the store refuses, for what it finds is our own write."""
    store = object_store.store()
    lost = []

    def twice(params, **_):
        if not lost:
            lost.append(client.put_object(**params))

    events = store.client.meta.events
    events.register_first("provide-client-params.s3.PutObject", twice)
    try:
        etag = store.put(out / "a", b"mine", Only(None))
    finally:
        events.unregister("provide-client-params.s3.PutObject", twice)
    assert etag == lost[0]["ETag"]
    with pytest.raises(ChangedError):
        store.put(out / "a", b"another's", Only(None))


def test_a_store_that_heeds_no_condition_is_refused(server, tmp_path, capsys, monkeypatch):
    with served(tmp_path / "requests", "heedless") as heedless:
        for name, value in heedless.environment.items():
            monkeypatch.setenv(name, value)
        assert main(["run", str(write_small_lake(tmp_path / "lake")), "--out", OUT]) == 2
    assert "accepted: a store that heeds If-None-Match and If-Match" in one_line(capsys)


@pytest.mark.proof
def test_a_killed_run_leaves_what_was_there(stored, client, capsys, monkeypatch):
    before = {
        key: client.head_object(Bucket=BUCKET, Key=key)["ETag"] for key in keys(client, "out")
    }
    command = [sys.executable, "-u", "-m", "pipeline.cli", *RUN]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout
        for line in process.stdout:
            if line.startswith("Publish the month"):
                process.send_signal(signal.SIGKILL)
    assert process.returncode == -signal.SIGKILL
    after = etags(client, "out")
    assert before.pop("out/.lock") != after.pop("out/.lock")
    assert after == before
    assert main(RUN) == 2
    assert f"another run is at work there: process {process.pid} on " in one_line(capsys)
    monkeypatch.setattr(store_lock, "LAPSE_S", 0.0)
    said = []
    with store_lock.held(object_store.store(), place(OUT), said.append):
        assert said[0].startswith(
            f"An earlier run was stopped before its end (process {process.pid}"
        )


# The publication


def test_the_page_follows_its_data_and_leftovers_go_last(server, client, out, tmp_path):
    for name in ("index.html", "made_from.json", "worklist.csv", "charts/a.svg"):
        path = tmp_path / "2025-11" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(name)
    stale = f"{out.key}/published/2025-11/charts/old.svg"
    put(client, stale, b"of an earlier run")
    put(client, f"{out.key}/published/2025-10/index.html", b"another month")
    put(client, f"{out.key}/published/2025-09/worklist.csv", b"a month whose page never came")
    start = len(server.requests())
    put_published(object_store.store(), out / "published", tmp_path)
    asked = [(m, p.split("/published/")[1]) for m, p in server.requests()[start:] if m != "GET"]
    assert asked[0] == ("PUT", "2025-11/made_from.json")
    assert sorted(asked[1:3]) == [("PUT", "2025-11/charts/a.svg"), ("PUT", "2025-11/worklist.csv")]
    assert asked[3:] == [
        ("PUT", "2025-11/index.html"),
        ("PUT", "index.html"),
        ("DELETE", "2025-11/charts/old.svg"),
    ]
    listed = content(client, f"{out.key}/published/index.html").decode()
    assert "2025-10" in listed
    assert "2025-11" in listed
    assert "2025-09" not in listed
    assert stale not in keys(client, out.key)


def digests(record: dict[str, object]) -> list[str]:
    """What DEVELOPERS.md tells a reader to look for in the page."""
    parts = [json.dumps(record[part], sort_keys=True) for part in ("settings", "files")]
    return [hashlib.sha256(part.encode()).hexdigest()[:12] for part in parts]


def is_of_its_record(client, month: str) -> bool:
    page = content(client, f"{month}/index.html").decode()
    record = json.loads(content(client, f"{month}/made_from.json"))
    return all(digest in page for digest in digests(record))


@pytest.mark.proof
def test_a_reader_can_tell_a_month_that_is_half_replaced(
    server, client, folder_out, out, tmp_path, monkeypatch
):
    """The second publication is the first as another file of the lake would have made it."""
    published, month = folder_out / "published", f"{out.key}/published/2025-11"
    put_published(object_store.store(), out / "published", published)
    assert is_of_its_record(client, month)
    shutil.copytree(published, tmp_path / "published")
    page, told = (tmp_path / "published/2025-11" / n for n in ("index.html", "made_from.json"))
    record = json.loads(told.read_text())
    (_, before), _ = digests(record), record["files"][0].update(sha256="0" * 64)
    page.write_text(page.read_text().replace(before, digests(record)[1]))
    told.write_text(json.dumps(record))
    real = object_store.Store.put_file

    def stopping(self, address, path, only=None):
        if path.name == "worklist.xlsx":
            raise KeyboardInterrupt
        return real(self, address, path, only)

    monkeypatch.setattr(object_store.Store, "put_file", stopping)
    with pytest.raises(KeyboardInterrupt):
        put_published(object_store.store(), out / "published", tmp_path / "published")
    monkeypatch.undo()
    assert not is_of_its_record(client, month)
    put_published(object_store.store(), out / "published", tmp_path / "published")
    assert is_of_its_record(client, month)


# What a user may get wrong


def refusal(capsys, command, within_s=30.0) -> str:
    started = time.monotonic()
    assert main(command) == 2
    assert time.monotonic() - started < within_s
    return one_line(capsys)


@pytest.mark.parametrize("command", [["check", LAKE], RUN])
def test_a_store_that_does_not_answer(server, capsys, monkeypatch, command):
    monkeypatch.setenv("AWS_ENDPOINT_URL", "http://127.0.0.1:9")
    line = refusal(capsys, command)
    assert "127.0.0.1:9 does not answer (EndpointConnectionError): run again when it does" in line


def test_a_bucket_that_is_not_there(server, tmp_path, capsys):
    missing = "s3://no-such-bucket/x"
    assert f"{missing[:-2]}: found no such bucket" in refusal(capsys, ["check", missing])
    files = write_small_lake(tmp_path / "lake")
    line = refusal(capsys, ["run", str(files), "--out", missing])
    assert f"{missing[:-2]}: found no such bucket" in line


def test_an_address_with_no_records(server, capsys):
    line = refusal(capsys, ["run", f"s3://{BUCKET}/nothing", "--out", OUT])
    assert f"s3://{BUCKET}/nothing: found no files; accepted: files under register" in line


@pytest.mark.parametrize(
    ("name", "value", "told"),
    [
        ("AWS_SECRET_ACCESS_KEY", "wrong", "refused (SignatureDoesNotMatch"),
        ("AWS_ACCESS_KEY_ID", "AKIANOBODY", "refused (InvalidAccessKeyId"),
        ("AWS_ACCESS_KEY_ID", "", "AWS_ACCESS_KEY_ID: found nothing; accepted: the credentials"),
        ("AWS_ALLOW_HTTP", "", "accepted: https://…, or http://… where AWS_ALLOW_HTTP=true is set"),
        ("AWS_ENDPOINT_URL", "http:nonsense", "AWS_ENDPOINT_URL, AWS_REGION: Invalid endpoint"),
    ],
)
def test_an_environment_that_is_wrong(server, capsys, monkeypatch, name, value, told):
    monkeypatch.setenv(name, value)
    line = refusal(capsys, ["check", LAKE])
    assert told in line
    assert server.secret not in line
    assert server.key_id not in line


def test_an_address_without_the_extra(server, capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "boto3", None)
    assert "pip install 'drumline[s3]'" in refusal(capsys, ["check", LAKE])


def test_a_warehouse_that_is_not_ours(server, client, lake, out, capsys):
    _, address = lake
    put(client, f"{out.key}/{warehouse.DATABASE}", b"not a database at all" * 99)
    line = refusal(capsys, ["run", str(address), "--out", str(out)])
    assert f"{out}/{warehouse.DATABASE}: cannot be opened: " in line
    assert "/drumline-" not in line
    assert content(client, f"{out.key}/.lock") == b""


def test_settings_under_an_address(server, client, lake, capsys):
    _, address = lake
    put(client, f"{address.key}/fleet.toml", b"[adjustment]\nband_lo = 0.1\n")
    line = refusal(capsys, ["check", str(address)])
    assert "fleet.toml: adjustment.band_lo: unknown key; did you mean 'band_low'?" in line


def test_a_schedule_needs_a_folder_for_its_history(stored, capsys, monkeypatch):
    monkeypatch.delenv("PREFECT_HOME", raising=False)
    line = refusal(capsys, ["schedule", LAKE, "--out", OUT, "--cron", "0 5 1 * *"])
    assert "accepted: PREFECT_HOME, set to one" in line


@pytest.mark.parametrize(
    "text", ["gs://bucket/x", "https://host/x", "s3://", "s3:///x", "s3://b/../x", "s3://b/x//y"]
)
def test_a_place_that_is_none(text, capsys):
    with pytest.raises(SystemExit) as stopped:
        main(["check", text])
    assert stopped.value.code == 2
    assert "accepted: a folder, or s3://BUCKET/PREFIX" in capsys.readouterr().err


def test_places():
    assert place("some/folder") == Path("some/folder")
    assert str(place("s3://bucket/a/b/")) == "s3://bucket/a/b"
    assert str(place("s3://bucket") / "x") == "s3://bucket/x"
    assert place("s3://bucket").below == ""
