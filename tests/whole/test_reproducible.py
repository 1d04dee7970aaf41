"""The same lake, day, settings and version: the same bytes; and an old month made again."""

import hashlib
import json
import os
import shutil

import pytest

from pipeline.cli import main
from pipeline.warehouse import background
from sample_lake import FleetParameters, LakeOptions, simulate, write_lake
from tests.crashes import page_digests
from tests.lakes import write_small_lake

pytestmark = pytest.mark.proof
JULY, NOVEMBER = "2025-07-31", "2025-11-14"


def made(lake, out, as_of):
    assert main(["run", str(lake), "--out", str(out), "--as-of", as_of]) == 0
    return page_digests(out)


def of_month(digests, month):
    return {name: digest for name, digest in digests.items() if name.startswith(month)}


@pytest.fixture(scope="module")
def twice(tmp_path_factory):
    """July, then November, then July again; and July alone, elsewhere, from a copy of the lake."""
    base = tmp_path_factory.mktemp("reproducible")
    lake, out = write_small_lake(base / "lake"), base / "out"
    first = made(lake, out, JULY)
    made(lake, out, NOVEMBER)
    again = made(lake, out, JULY)
    elsewhere = base / "another place" / "records"
    shutil.copytree(lake, elsewhere)
    for path in elsewhere.rglob("*"):
        os.utime(path, (0, 0))
    return base, first, again, made(elsewhere, base / "other", JULY)


def test_an_old_month_made_again_is_what_that_month_published(twice):
    _, first, again, _ = twice
    assert of_month(first, "2025-07")
    assert of_month(again, "2025-07") == of_month(first, "2025-07")
    assert of_month(again, "2025-11")


def test_another_machines_copy_of_the_lake_gives_the_same_bytes(twice):
    """Another folder, other file times, an OUT without history."""
    _, first, _, elsewhere = twice
    assert elsewhere == first


def test_the_publication_records_what_it_was_made_from(twice):
    base = twice[0]
    month = base / "out" / "published" / "2025-07"
    told = json.loads((month / "made_from.json").read_text(encoding="utf-8"))
    assert told["as_of"] == JULY
    assert told["settings"]["fleet"]["name"] == "Four Lanes"
    assert told["seeds"]["budget"] > 0
    assert told["libraries"]["polars"].count(".") == 2
    for file in told["files"]:
        content = (base / "lake" / file["path"]).read_bytes()
        assert hashlib.sha256(content).hexdigest() == file["sha256"]
    assert len(told["files"]) == 6
    page = (month / "index.html").read_text(encoding="utf-8")
    assert f"lock: {told['lock'][:12]}" in page
    assert "6 files: " in page


def test_whoever_does_the_work_the_same_is_published(tmp_path, monkeypatch):
    """All in place; and all that a second process can do, done there."""
    fleet = simulate(FleetParameters(), wheel_ends=300, years=2.5, seed=4)
    write_lake([fleet], tmp_path / "drawn", LakeOptions())
    lake, day = tmp_path / "drawn" / "lake", "2026-06-15"
    monkeypatch.setattr(background, "LEAST_BYTES", 10**9)
    here = made(lake, tmp_path / "here", day)
    monkeypatch.setattr(background, "LEAST_BYTES", 0)
    monkeypatch.setattr(background._Either, "begun_here", lambda _: False)
    assert made(lake, tmp_path / "there", day) == here
