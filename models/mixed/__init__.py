"""A two-level linear mixed model, fitted by REML from sums instead of rows.

For: lining wear (``models.wear``), where a million lives of some ten readings must be fitted in
seconds. Nothing here knows of brakes.

In: per block (a lining life) n, X'X, X'y, y'y about the block's own means, and the unit that each
block belongs to. Out: fixed effects beta with covariance, variances, and each block's own line.

    y = X beta + b0 + b1 t + c_u t + e

(b0, b1) normal per block, c normal per unit, e normal per reading; y in the caller's unit, t too.

Start with ``fit``; ``blocks`` says what the sums are, ``reml`` what is maximised, ``optimum`` how
the maximum is certified.
"""
