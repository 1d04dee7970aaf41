"""Kinds of mart columns, shared by every schema."""

import itertools

import dataframely as dy
import polars as pl


def text(description: str, *, nullable: bool = False, key: bool = False) -> dy.String:
    return dy.String(nullable=nullable and not key, primary_key=key, description=description)


def number(description: str, unit: str | None = None, *, low: float | None = None) -> dy.Float64:
    return dy.Float64(
        nullable=True, min=low, description=description, metadata={"unit": unit} if unit else None
    )


def share(description: str) -> dy.Float64:
    return dy.Float64(nullable=True, min=0.0, max=1.0, description=description)


def count(description: str) -> dy.Int64:
    return dy.Int64(nullable=False, min=0, description=description)


def day(description: str) -> dy.Date:
    return dy.Date(nullable=True, description=description)


def ordered(*names: str) -> pl.Expr:
    """Quantiles that do not cross; nulls say nothing."""
    pairs = itertools.pairwise(names)
    return pl.all_horizontal(
        (pl.col(low) <= pl.col(high)).fill_null(value=True) for low, high in pairs
    )
