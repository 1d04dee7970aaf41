"""What a month's publication was made from, so that it can be made again and compared."""

import datetime as dt
import hashlib
import json
import re
from functools import cache
from importlib.metadata import requires, version
from pathlib import Path
from typing import Any

import duckdb

from pipeline.marts import adjustment, budget_terms
from pipeline.marts.lives import decisions
from pipeline.settings import Settings
from pipeline.stages import backtesting
from pipeline.values import counted

RECORD = "made_from.json"
SHOWN_DIGITS = 12
SEEDS = {
    "drift": adjustment.SEED,
    "budget": budget_terms.SEED,
    "backtest": backtesting.SEED,
    "life decisions": decisions.SEED,
}


def record(con: duckdb.DuckDBPyConnection, settings: Settings, as_of: dt.date) -> bytes:
    """Everything that decides the figures, as JSON: published beside them.

    Files stand with their place in the lake and the SHA-256 of their content; a run over the same
    contents with the same settings, version and libraries gives the same bytes.
    """
    told = {
        "as_of": as_of.isoformat(),
        **_program(),
        "seeds": SEEDS,
        "settings": settings.model_dump(mode="json"),
        "files": _files(con),
    }
    return json.dumps(told, indent=1, ensure_ascii=False).encode() + b"\n"


def made_from(con: duckdb.DuckDBPyConnection, settings: Settings) -> dict[str, str]:
    """The same in one line of a page: digests instead of lists."""
    files = _files(con)
    return {
        "drumline": version("drumline"),
        "lock": _program()["lock"][:SHOWN_DIGITS],
        "settings": _digest(settings.model_dump(mode="json")),
        counted(len(files), "file"): _digest(files),
        "in full": RECORD,
    }


def _digest(told: object) -> str:
    text = json.dumps(told, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:SHOWN_DIGITS]


def _files(con: duckdb.DuckDBPyConnection) -> list[dict[str, Any]]:
    rows = con.execute(
        "select path, table_name, sha256, rows_read from mart.loads order by path"
    ).fetchall()
    names = ("path", "table", "sha256", "rows")
    return [dict(zip(names, row, strict=True)) for row in rows]


@cache
def _program() -> dict[str, Any]:
    """This version, the lock file it was installed from, and the libraries at work."""
    lock = Path(__file__).parents[2] / "requirements.lock"
    digest = hashlib.sha256(lock.read_bytes()).hexdigest() if lock.exists() else "no lock file"
    needed = (line for line in requires("drumline") or [] if "extra ==" not in line)
    names = (re.match(r"[\w.-]+", line) for line in needed)
    libraries = sorted(name.group() for name in names if name)
    return {
        "version": version("drumline"),
        "lock": digest,
        "libraries": {name: version(name) for name in libraries},
    }
