"""How much disk a run needs, said before it starts."""

import shutil
from pathlib import Path

from pipeline.places import Place
from pipeline.warehouse.warehouse import DATABASE

# Measured on drawn fleets: a warehouse is some four times as large as Parquet files it was made
# from, and while it is rewritten it stands beside what it replaces; a month's files take the rest.
WAREHOUSE_OF_LAKE = 4.0
WHILE_REWRITTEN = 2.0
PUBLICATION_BYTES = 100e6


def needed_disk(lake_bytes: int, warehouse_bytes: int) -> float:
    """Bytes that a run may take in OUT beyond what stands there, at most about."""
    grown = max(WAREHOUSE_OF_LAKE * lake_bytes, warehouse_bytes)
    return WHILE_REWRITTEN * grown + PUBLICATION_BYTES


def disk_warning(lake_bytes: int, out: Place) -> str | None:
    """One line where the disk under OUT may be too small; None where it is large enough.

    Nothing is refused: a lake of CSV files makes a smaller warehouse for its size. ``out`` on an
    object store is worked on in a folder for temporary files, which is not looked at here.
    """
    if not isinstance(out, Path):
        return None
    there = next(p for p in (out, *out.absolute().parents) if p.exists())
    database = out / DATABASE
    published = database.stat().st_size if database.is_file() else 0
    needed, free = needed_disk(lake_bytes, published), shutil.disk_usage(there).free
    if free >= needed:
        return None
    return (
        f"Warning: a run may take {needed / 1e9:.1f} GB of disk in {out}, and {free / 1e9:.1f} GB "
        "are free; one that runs out of room leaves OUT as it was"
    )
